"""The mathematics alone: arrays in, arrays out.

Belongs here: functions with a published source and a test against something outside this project.
Does not: files, tables, registers (stages/ fetch and keep; site/ knows the experiment).
"""
