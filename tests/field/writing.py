"""From a field to folders.

Belongs here: where the files of a field go. Does not: what is in them (raw_files.py, site_folder.py).
"""

from pathlib import Path

from tests.field.raw_files import write_raw_files
from tests.field.simulation import Field
from tests.field.site_folder import write_site_folder


def write_field(field: Field, lake: Path, configs: Path) -> Path:
    """Write a field's raw files below `lake`/raw/<site> and its registers to `configs`/<site>.

    Files of the same name are overwritten, others left alone. Nothing of the truth is written.

    Returns:
        The site folder, `configs`/<site>.
    """
    write_raw_files(field, lake / "raw" / field.plan.site)
    site_folder = configs / field.plan.site
    write_site_folder(field, site_folder)
    return site_folder
