"""The package of tables that collaborators take away.

Belongs here: which tables and registers are shared, how a cell is written, the descriptor of the package, the words that go with it,
and the folder and archive that hold it all.
Does not: the declaration of a table (tables/), any number that no table holds (stages/).
"""

from pipeline.publish.share.package import Shared, ShareError, share

__all__ = ["ShareError", "Shared", "share"]
