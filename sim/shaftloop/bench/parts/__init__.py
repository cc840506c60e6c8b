"""What each part is on the bench: one file per part beside its physics in `shaftloop_models`."""
