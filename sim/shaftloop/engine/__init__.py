"""Time: a bench as tables, what kernels do with them (`compiled`), runs, lanes and supervision."""
