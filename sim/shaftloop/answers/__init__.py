"""One entry per question: what a command, a notebook or a report asks, and what it gets back.

Each module has the answer, a frozen dataclass with everything that was found, and the function that finds it.
Nothing here reads a command line, draws or prints.
"""
