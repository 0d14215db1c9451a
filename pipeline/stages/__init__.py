"""One module per arrow of the design: pure functions from tables to tables.

Belongs here: what a stage computes, in SQL where rows are many, in Python where mathematics is deep.
Does not: partitions, freshness, checks (orchestration/), paths and atomic writing (lake/), formulas (science/).
"""
