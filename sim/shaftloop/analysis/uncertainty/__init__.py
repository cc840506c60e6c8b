"""Uncertainty of measurement after JCGM 100 (budget to first order) and JCGM 101 (Monte Carlo).

`model` says what a measurement is, `distributions` what is known about its inputs; `propagation`,
`montecarlo` and `validation` evaluate it. `grammar`, `dimensions` and `reading` make a measurement of a TOML
file. The engine knows nothing about benches.
"""
