"""Where tables lie: reading, atomic writing, fingerprints, and the DuckDB session.

Belongs here: folders and file names of the lake, Parquet writing from a declaration, what a file says it was made from.
Does not: what a table means (tables/), how it is computed (stages/), when (orchestration/).
"""

from pipeline.lake.fingerprint import canonical_text, fingerprint
from pipeline.lake.lake import Lake, LakeError, Stored, replace_text
from pipeline.lake.session import open_session
from pipeline.lake.trouble import free_room, is_full, reason, trouble

__all__ = [
    "Lake",
    "LakeError",
    "Stored",
    "canonical_text",
    "fingerprint",
    "free_room",
    "is_full",
    "open_session",
    "reason",
    "replace_text",
    "trouble",
]
