"""Numbers from a bench; drawing them is the business of `shaftloop.report`."""
