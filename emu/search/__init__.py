"""All timings: hold the processor at any point of a driver, in every way that hardware allows.

A schedule is plain data; `stepper` makes it happen in a run, `trial` runs and judges one,
`explore` decides which to try, `shrink` makes a failing one small, `case` keeps it in a file.
"""
