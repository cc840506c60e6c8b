"""The report: all answers about a bench in one self-contained page."""
