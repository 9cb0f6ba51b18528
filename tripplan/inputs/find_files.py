"""Which files of a folder belong to the fleet, and the raw tables in them."""

from __future__ import annotations

from pathlib import Path

from tripplan.inputs.findings import Findings, did_you_mean
from tripplan.inputs.schema import SETTINGS_FILE, TABLES, WORKBOOK, TableSpec
from tripplan.inputs.tables import Grid, RawTable, find_header, read_csv_grid, split_grid

__all__ = ["find_tables", "input_files"]

_OTHER_TABLES = (".xls", ".ods", ".numbers", ".tsv", ".txt")


def input_files(folder: Path) -> tuple[Path, ...]:
    """
    Return the files of the contract that are there.

    Parameters
    ----------
    folder : pathlib.Path
        Folder of a fleet.

    Returns
    -------
    tuple of pathlib.Path
        Sorted by name.
    """
    wanted = {SETTINGS_FILE, WORKBOOK} | {f"{name}{end}" for name in TABLES for end in (".csv", ".xlsx")}
    return tuple(
        sorted(path for path in folder.iterdir() if path.name.casefold() in wanted and path.is_file())
    )


def find_tables(folder: Path, findings: Findings) -> dict[str, RawTable | None]:
    """
    Read every table of a folder as text.

    Parameters
    ----------
    folder : pathlib.Path
        Folder of a fleet; it exists.
    findings : Findings
        Takes faults and remarks.

    Returns
    -------
    dict of str to RawTable or None
        By table name; None for a table that is there but could not be read. Tables that are not
        there are left out.
    """
    by_name: dict[str, list[Path]] = {}
    for path in sorted(folder.iterdir()):
        by_name.setdefault(path.name.casefold(), []).append(path)
    sources: dict[str, list[tuple[str, Grid | None]]] = {name: [] for name in TABLES}
    for name, spec in TABLES.items():
        for path in by_name.get(f"{name}.csv", ()):
            sources[name].append((path.name, read_csv_grid(path, spec, findings)))
        for path in by_name.get(f"{name}.xlsx", ()):
            sources[name].append((path.name, _single_sheet(path, spec, findings)))
    for path in by_name.get(WORKBOOK, ()):
        _share_out(path, sources, findings)
    tables: dict[str, RawTable | None] = {}
    for name, found in sources.items():
        if not found:
            continue
        tables[name] = None
        if len(found) > 1:
            files = " and ".join(label for label, _ in found)
            findings.fault(
                found[0][0],
                f"the table {name} stands in {files}",
                "Keep one of them, so that nobody plans from the old one.",
            )
        elif found[0][1] is not None:
            tables[name] = split_grid(found[0][1], TABLES[name], findings)
    if not sources["sites"]:
        _say_missing(by_name, findings)
    _remark_strays(by_name, findings)
    for table in tables.values():
        if table is not None and not table.rows and not table.spoilt and table.spec.name == "sites":
            findings.fault(table.file, "there is a header but no site", "Add a row for each site.")
            tables["sites"] = None
    return tables


def _say_missing(by_name: dict[str, list[Path]], findings: Findings) -> None:
    other = [f"sites{end}" for end in _OTHER_TABLES if f"sites{end}" in by_name]
    mend = (
        "Save it as sites.csv or sites.xlsx."
        if other
        else "It needs the columns site_id, lat, lon and pack_type."
    )
    findings.fault(
        "sites.csv", f"the file is missing{f' ({other[0]} cannot be read)' if other else ''}", mend
    )


def _remark_strays(by_name: dict[str, list[Path]], findings: Findings) -> None:
    """Remark on tables whose name is nearly one of the contract's."""
    wanted = [f"{name}.csv" for name in TABLES] + [f"{name}.xlsx" for name in TABLES] + [WORKBOOK]
    for key, paths in by_name.items():
        if key in wanted or not key.endswith((".csv", ".xlsx")) or key.startswith(("~$", ".")):
            continue
        hint = did_you_mean(key, [name for name in wanted if name.endswith(paths[0].suffix.casefold())])
        if hint:
            findings.remark(f"{paths[0].name}: no file of a fleet has this name, so it was not read. {hint}")


def _single_sheet(path: Path, spec: TableSpec, findings: Findings) -> Grid | None:
    """Return the sheet of the table's name, else the only one with its columns."""
    from tripplan.inputs.workbook import read_workbook

    sheets = read_workbook(path, findings)
    if sheets is None:
        return None
    filled = [sheet for sheet in sheets if not sheet.blank]
    if not filled:
        findings.fault(
            path.name, "the workbook is empty", f"Give it a header row: {', '.join(spec.required)}."
        )
        return None
    named = [sheet for sheet in filled if sheet.name.casefold() == spec.name]
    fitting = [sheet for sheet in filled if find_header(sheet.grid.rows, spec) is not None]
    chosen = named or (filled if len(filled) == 1 else fitting)
    if len(chosen) != 1:
        findings.fault(
            path.name,
            f"the workbook has several sheets ({', '.join(sheet.name for sheet in filled)})",
            f"Name the right one '{spec.name}'.",
        )
        return None
    return chosen[0].grid


def _share_out(path: Path, sources: dict[str, list[tuple[str, Grid | None]]], findings: Findings) -> None:
    """Add each sheet of the common workbook to its table."""
    from tripplan.inputs.workbook import read_workbook

    sheets = read_workbook(path, findings)
    if sheets is None:
        sources["sites"].append((path.name, None))
        return
    for sheet in sheets:
        name = sheet.name.casefold()
        if name in sources and (not sheet.blank or name == "sites"):
            sources[name].append((sheet.grid.file, sheet.grid))
        elif not sheet.blank and name not in sources:
            hint = did_you_mean(sheet.name, TABLES)
            text = f"{sheet.grid.file}: no table of a fleet has this name, so it was not read. {hint}"
            findings.remark(text.rstrip())
