"""Physics of the parts of a test bench, one part per file.

Each part states its parameters with unit and range, its linear entries, its nonlinear terms, the
range of validity and the source. Nothing here steps time, reads files or draws.
"""
