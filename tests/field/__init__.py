"""An invented drained field with known truth.

Belongs here: all that happens out there (weather, water, nitrate, instruments, their failures) and the files that come of
it. Does not: anything that reads those files; this package never imports the program it tests.

The truth stays in memory, for tests and benches. What `write_field` writes is what a researcher would have.
`python -m tests.field`, run in the repository's root, writes the committed demo again, byte for byte.
"""

from tests.field.plan import Plan
from tests.field.simulation import Field, simulate
from tests.field.writing import write_field

__all__ = ["Field", "Plan", "simulate", "write_field"]
