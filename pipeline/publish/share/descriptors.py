"""The files of the package that programs read: data package, citation, provenance.

Belongs here: what is said in datapackage.json, CITATION.cff and provenance.json.
Does not: the schema of a table (tables/descriptor.py), what people read (words.py, methods.py).

None of them holds the time of its making: the same lake gives the same bytes.
"""

from __future__ import annotations

import hashlib
import json
import platform
import re
from collections.abc import Iterable, Mapping
from importlib.metadata import version
from pathlib import Path
from typing import Any

import yaml

from pipeline.lake import Lake
from pipeline.lake.fingerprint import file_digest
from pipeline.orchestration.raw_files import RawFiles
from pipeline.orchestration.stages import VERSIONS
from pipeline.site import Person, Site
from pipeline.site.registers import REGISTERS
from pipeline.site.structure import FILE
from pipeline.tables import TABLES, Table, table
from pipeline.tables.descriptor import table_schema

LIBRARIES = ("drainledger", "duckdb", "numpy", "pandas", "pyarrow", "scipy")
LICENCE_NAME = re.compile(r"[A-Za-z0-9][A-Za-z0-9.+-]*")
"""How names of the SPDX licence list are written, such as CC-BY-4.0."""


def state_digest(lake: Lake, site: Site) -> str:
    """SHA-256 of the fingerprints of all annual loads: it tells two states of the loads apart."""
    annual = table("loads_annual")
    made_from = [str(lake.made_from(annual, site.site, year)) for year in lake.years(annual, site.site)]
    return hashlib.sha256(" ".join(made_from).encode()).hexdigest()


def data_title(site: Site) -> str:
    """Title by which the data is cited."""
    return site.citation.title or f"{site.title}: drainage and nutrient loads"


def data_package(lake: Lake, site: Site, folder: Path, files: Iterable[tuple[Table, str, str, int]]) -> str:
    """The descriptor by the Data Package standard.

    Args:
        lake: the lake.
        site: the experiment.
        folder: the package's folder, whose files are written.
        files: of each table its declaration, the paths of its delimited text and its Parquet file, and its rows.
    """
    package: dict[str, Any] = {
        "profile": "tabular-data-package",
        "name": site.site.lower(),
        "title": data_title(site),
        "description": "Drainage, concentrations and nutrient loads of field plots, with their uncertainty. README.md comes first.",
        "version": state_digest(lake, site)[:12],
        "licenses": _licences(site),
        "contributors": [
            *(_contributor(person, "author") for person in site.creators),
            *([_contributor(site.contact, "contact")] if site.contact else []),
        ],
        "resources": [_resource(folder, *file) for file in files],
    }
    return _json({name: value for name, value in package.items() if value != []})


def _resource(folder: Path, declared: Table, csv_path: str, parquet_path: str, rows: int) -> dict[str, Any]:
    return {
        "profile": "tabular-data-resource",
        "name": declared.name,
        "title": f"A row is {declared.row}",
        "path": csv_path,
        "format": "csv",
        "mediatype": "text/csv",
        "encoding": "utf-8",
        "bytes": (folder / csv_path).stat().st_size,
        "hash": f"sha256:{file_digest(folder / csv_path)}",
        "rows": rows,
        "parquet": {"path": parquet_path, "hash": f"sha256:{file_digest(folder / parquet_path)}"},
        "dialect": {
            "delimiter": ",",
            "lineTerminator": "\r\n",
            "quoteChar": '"',
            "doubleQuote": True,
            "skipInitialSpace": False,
            "header": True,
        },
        "schema": {name: part for name, part in table_schema(declared).items() if part != []},
    }


def _licences(site: Site) -> list[dict[str, str]]:
    if site.licence is None:
        return []
    if LICENCE_NAME.fullmatch(site.licence):
        return [{"name": site.licence, "path": f"https://spdx.org/licenses/{site.licence}.html"}]
    return [{"name": "other", "title": site.licence}]


def _contributor(person: Person, role: str) -> dict[str, str]:
    said = {
        "title": person.name,
        "role": role,
        "organization": person.affiliation,
        "email": person.email,
        "path": f"https://orcid.org/{person.orcid}" if person.orcid else None,
    }
    return {name: value for name, value in said.items() if value is not None}


def citation_file(lake: Lake, site: Site) -> str:
    """CITATION.cff, version 1.2.0 of that format. Where site.yaml names no creators the experiment stands as the author."""
    said: dict[str, Any] = {
        "cff-version": "1.2.0",
        "message": "If you use these data, please cite them as below.",
        "type": "dataset",
        "title": data_title(site),
        "version": state_digest(lake, site)[:12],
        "authors": [_author(person) for person in site.creators] or [{"name": site.title}],
    }
    if site.contact is not None:
        said["contact"] = [_author(site.contact)]
    if site.citation.doi is not None:
        said["doi"] = site.citation.doi
    if site.citation.released is not None:
        said["date-released"] = site.citation.released.isoformat()
    if site.licence is not None and LICENCE_NAME.fullmatch(site.licence):
        said["license"] = site.licence
    return yaml.safe_dump(said, sort_keys=False, allow_unicode=True, width=120)


def _author(person: Person) -> dict[str, str]:
    """By «family name, given names» a person; any other name stands whole, as that format gives names of groups."""
    family, comma, given = person.name.partition(", ")
    said = {
        **({"family-names": family, "given-names": given} if comma else {"name": person.name}),
        "affiliation": person.affiliation if comma else None,
        "orcid": f"https://orcid.org/{person.orcid}" if person.orcid else None,
        "email": person.email,
    }
    return {name: value for name, value in said.items() if value is not None}


def provenance(lake: Lake, site: Site, stale: Iterable[str]) -> str:
    """What the package was made of: digests of raw files and registers, fingerprints of all stored partitions, versions."""
    return _json(
        {
            "made_by": {name: version(name) for name in LIBRARIES} | {"python": platform.python_version()},
            "site": site.site,
            "state": state_digest(lake, site),
            "not_up_to_date": list(stale),
            "stages": dict(VERSIONS),
            "raw_files": _raw_files(lake, site),
            "site_folder": {
                name: file_digest(site.folder / name)
                for name in (FILE, *(model.file for model in REGISTERS.values()))
                if (site.folder / name).is_file()
            },
            "partitions": list(_partitions(lake, site)),
        }
    )


def _raw_files(lake: Lake, site: Site) -> list[dict[str, str]]:
    """SHA-256 of every raw file as it was read: logger and weather files, field books, laboratory sheets, bench tests."""
    read = lake.frame(table("source_files"), site.site)
    proved = lake.frame(table("bench_files"), site.site)
    digests = [
        *zip(read["path"], read["file_id"], strict=True),
        *RawFiles(lake, site).noted_sample_files(),
        *zip(proved["path"], proved["file_id"], strict=True),
    ]
    return [{"path": path, "sha256": digest} for path, digest in sorted(digests)]


def _partitions(lake: Lake, site: Site) -> Iterable[Mapping[str, Any]]:
    for declared in TABLES:
        for year in [None] if declared.time_column is None else lake.years(declared, site.site):
            made_from = lake.made_from(declared, site.site, year)
            if made_from is not None:
                yield {"table": declared.name, "water_year": year, "made_from": made_from}


def _json(value: Any) -> str:
    return json.dumps(value, indent=2, ensure_ascii=True) + "\n"
