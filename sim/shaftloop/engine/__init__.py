"""Time: calendar, state layout, steppers, kernels, recorder and supervision."""
