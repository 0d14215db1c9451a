"""Benchmarks and recovery studies: run by hand, never part of the tests, and nothing here asserts anything about seconds.

Belongs here: a named yardstick measured in the same run, and the ratio to it.
Does not: promises (tests/).
"""
