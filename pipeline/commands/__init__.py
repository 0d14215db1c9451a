"""The commands of `drainledger`, by what they are about.

Belongs here: arguments of each command and the function that carries it out.
Does not: the command line as a whole and its exit codes (pipeline/cli.py); computation; layout of what is shown (publish/).

Slow libraries are imported where they are used, so that `--help` and a wrong command answer at once.
"""
