"""Writes the committed demo again: `python -m tests.field` in the repository's root.

Belongs here: where the demo lies. Does not: what it is (plan.py has its defaults).
"""

import shutil
from pathlib import Path

from tests.field import Plan, simulate, write_field

REPOSITORY = Path(__file__).resolve().parents[2]


def main() -> None:
    plan = Plan()
    lake, configs = REPOSITORY / "sample_lake", REPOSITORY / "configs"
    for folder in (lake / "raw" / plan.site, configs / plan.site):
        shutil.rmtree(folder, ignore_errors=True)
    write_field(simulate(plan), lake, configs)
    size = sum(file.stat().st_size for file in (lake / "raw" / plan.site).rglob("*") if file.is_file())
    print(f"{plan.site}: raw files of {size / 1e6:.1f} MB in {lake}, registers in {configs}")


if __name__ == "__main__":
    main()
