"""What people look at.

Belongs here: turning tables into something that a person reads.
Does not: computing a number that a table does not hold (stages/), deciding what is run (orchestration/).
"""
