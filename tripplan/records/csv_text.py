"""
A user's CSV file, changed cell by cell: what is not touched stays byte for byte as it was.

Separator, quotation marks, encoding, byte order mark, line ends, the order of columns and rows,
columns of the user's own, rows above the header and blank rows are all kept. New cells are written
as the column writes its own: order of day and month, decimal sign, quotation marks.
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date

from tripplan.errors import Fault, InputError
from tripplan.inputs.cells import split_numeric_date
from tripplan.inputs.decisions import settle_date_order, settle_decimal_sign
from tripplan.inputs.findings import Findings
from tripplan.inputs.schema import TableSpec
from tripplan.inputs.tables import Cell, find_header, header_key, read_layout

__all__ = ["CsvText", "Splice", "apply_splices", "new_table", "reverse_splices"]

_NUMBER_COLUMNS = (
    "volts_out",
    "volts_in",
    "minutes",
    "tested_ah",
    "volts",
    "percent",
    "temp_c",
    "lat",
    "lon",
)
_ISO_LIKE = re.compile(r"\d{4}([-/.]?)(\d{1,2})\1(\d{1,2})(?:[T ,].*)?")


@dataclass(frozen=True)
class Splice:
    """
    One change of a content: at a byte of the old content, some bytes go and others come.

    Attributes
    ----------
    at : int
        Offset in the old content. [byte]
    """

    at: int
    removed: bytes
    inserted: bytes


def apply_splices(content: bytes, splices: Sequence[Splice]) -> bytes:
    """
    Return a content with changes made.

    Parameters
    ----------
    content : bytes
        The old content.
    splices : sequence of Splice
        In order, none overlapping another.

    Returns
    -------
    bytes
        The new content.

    Raises
    ------
    ValueError
        If the content is not the one for which the changes were made.

    Examples
    --------
    >>> apply_splices(b"abc", [Splice(1, b"b", b"BB"), Splice(3, b"", b"!")])
    b'aBBc!'
    """
    parts, at = [], 0
    for splice in splices:
        end = splice.at + len(splice.removed)
        if splice.at < at or content[splice.at : end] != splice.removed:
            raise ValueError("these changes were made for another content")
        parts += [content[at : splice.at], splice.inserted]
        at = end
    return b"".join([*parts, content[at:]])


def reverse_splices(splices: Sequence[Splice]) -> list[Splice]:
    """
    Return the changes that take changes back.

    Parameters
    ----------
    splices : sequence of Splice
        In order.

    Returns
    -------
    list of Splice
        For the new content.

    Examples
    --------
    >>> there = [Splice(1, b"b", b"BB"), Splice(3, b"", b"!")]
    >>> apply_splices(apply_splices(b"abc", there), reverse_splices(there))
    b'abc'
    """
    moved, back = 0, []
    for splice in splices:
        back.append(Splice(splice.at + moved, splice.inserted, splice.removed))
        moved += len(splice.inserted) - len(splice.removed)
    return back


def new_table(columns: Sequence[str], like: CsvText | None) -> bytes:
    """
    Return a file with a header only, written as another table of the folder is.

    Parameters
    ----------
    columns : sequence of str
        The header.
    like : CsvText or None
        The other table; None: commas, UTF-8.

    Returns
    -------
    bytes
        The file.
    """
    if like is None:
        return (",".join(columns) + "\n").encode()
    return like.encode_whole(like.separator.join(columns) + like.line_end)


@dataclass(frozen=True)
class _Span:
    """A record: where its cells and its end stand in the text; `end` is before the line end."""

    cells: tuple[tuple[int, int], ...]
    start: int
    end: int
    after: int


class CsvText:
    """
    A CSV file whose cells can be changed.

    Parameters
    ----------
    name : str
        File name.
    data : bytes
        What the file holds.
    spec : TableSpec
        What the table may hold.

    Raises
    ------
    InputError
        If it is no CSV file with a header that `tripplan.inputs` reads.
    """

    def __init__(self, name: str, data: bytes, spec: TableSpec) -> None:
        findings = Findings()
        layout = read_layout(name, data, spec, findings)
        if layout is None:
            raise InputError(findings.faults)
        self.name, self.data, self.spec = name, data, spec
        self.separator = layout.separator
        self._layout = layout
        self._spans = _split(layout.text, layout.body_at, layout.separator)
        at = find_header([[Cell(cell) for cell in record] for record in layout.records], spec)
        if at is None or len(self._spans) != len(layout.records):
            raise InputError([Fault(name, problem="no header row found")])
        self._header = at
        self.columns = [header_key(cell) for cell in layout.records[at]]
        self._edits: dict[int, dict[int, str]] = {}
        self._added_columns: list[str] = []
        self._rows: list[dict[str, str]] = []
        self.line_end = self._find_line_end()
        self.quotes_all = self._find_quoting()

    def texts(self, column: str) -> dict[int, str]:
        """
        Return the cells of a column.

        Parameters
        ----------
        column : str
            Key of the heading.

        Returns
        -------
        dict of int to str
            By row as the spreadsheet counts it; blank cells are left out.
        """
        if column not in self.columns:
            return {}
        at = self.columns.index(column)
        rows = enumerate(self._layout.records[self._header + 1 :], start=self._header + 2)
        return {n: record[at].strip() for n, record in rows if at < len(record) and record[at].strip()}

    def set_cell(self, row: int, column: str, text: str) -> None:
        """
        Change one cell.

        Parameters
        ----------
        row : int
            As the spreadsheet counts it.
        column : str
            Column; added behind the others where the table has none such.
        text : str
            What it shall say.
        """
        if not text and column not in self.columns:
            return
        at = self._column_at(column)
        record = self._layout.records[row - 1]
        if (record[at] if at < len(record) else "") != text:
            self._edits.setdefault(row - 1, {})[at] = text

    def add_row(self, values: Mapping[str, str]) -> None:
        """
        Add a row behind the last.

        Parameters
        ----------
        values : mapping of str to str
            By column; columns that the table lacks are added behind the others where the value is not blank.
        """
        kept = {column: text for column, text in values.items() if text or column in self.columns}
        for column in kept:
            self._column_at(column)
        self._rows.append(kept)

    def date_text(self, column: str, day: date) -> str:
        """Return a date as the column writes its dates; ISO where it has none to go by."""
        texts = self.texts(column)
        last = next((texts[row] for row in reversed(texts)), "")
        iso = _ISO_LIKE.fullmatch(last)
        if iso:
            if iso[1] == "" and len(last) != 8:
                return day.isoformat()
            padded = len(iso[2]) == 2 and len(iso[3]) == 2
            month, number = (f"{day:%m}", f"{day:%d}") if padded else (str(day.month), str(day.day))
            return iso[1].join((str(day.year), month, number))
        parts = split_numeric_date(last)
        order, doubts = settle_date_order(texts)
        if parts is None or order is None or doubts:
            return day.isoformat()
        bare = any(re.match(r"[1-9]\D", text) or re.match(r"\d+\D[1-9]\D", text) for text in texts.values())
        number, month = (str(day.day), str(day.month)) if bare else (f"{day:%d}", f"{day:%m}")
        first, second = (number, month) if order == "day first" else (month, number)
        return parts[3].join((first, second, str(day.year)))

    def number_text(self, column: str, value: float) -> str:
        """Return a number with the column's decimal sign."""
        plain = f"{value:.4f}".rstrip("0").rstrip(".")
        if "." not in plain:
            return plain
        decimals = len(plain.partition(".")[2])
        if decimals == 3:  # three decimals behind a comma could be taken for thousands
            plain += "0"
        return plain.replace(".", self._decimal_sign(column))

    def result(self) -> tuple[bytes, list[Splice]]:
        """
        Return the file with all changes made.

        Returns
        -------
        content : bytes
            The new content.
        splices : list of Splice
            The changes, in bytes of the old content.

        Raises
        ------
        InputError
            If the file's encoding cannot hold a new text.
        """
        edits: list[tuple[int, int, str]] = []
        header = self._spans[self._header]
        if self._added_columns:
            added = self.separator + self.separator.join(self._quoted(name) for name in self._added_columns)
            edits.append((header.end, header.end, added))
        for index, changed in self._edits.items():
            edits += self._edits_of(self._spans[index], changed)
        if self._rows:
            edits.append(self._appended())
        splices, text = [], self._layout.text
        offset = self._byte_offsets([edge for start, end, _ in edits for edge in (start, end)])
        for start, end, new in sorted(edits, key=lambda edit: edit[:2]):
            splices.append(Splice(offset[start], self._encode(text[start:end]), self._encode(new)))
        return apply_splices(self.data, splices), splices

    def encode_whole(self, text: str) -> bytes:
        """Return a whole file in this one's encoding, with its byte order mark and ``sep=`` line."""
        return self.data[: len(self.data) - len(self._encode(self._layout.text))] + self._encode(
            self._layout.text[: self._layout.body_at] + text
        )

    def _column_at(self, column: str) -> int:
        known = [*self.columns, *self._added_columns]
        if column not in known:
            self._added_columns.append(column)
            known.append(column)
        return known.index(column)

    def _edits_of(self, span: _Span, changed: Mapping[int, str]) -> list[tuple[int, int, str]]:
        edits, tail = [], ""
        reach = len(span.cells) - 1
        for at in sorted(changed):
            if at < len(span.cells):
                start, end = span.cells[at]
                edits.append((start, end, self._quoted(changed[at])))
            else:
                blanks = at - reach
                tail += self.separator * blanks + self._quoted(changed[at])
                reach = at
        if tail:
            edits.append((span.end, span.end, tail))
        return edits

    def _appended(self) -> tuple[int, int, str]:
        columns = [*self.columns, *self._added_columns]
        lines = []
        for values in self._rows:
            cells = [values.get(column, "") if column else "" for column in columns]
            seen: set[str] = set()
            for at, column in enumerate(columns):  # a heading of the user's own may stand twice
                if column in seen:
                    cells[at] = ""
                seen.add(column)
            lines.append(self.separator.join(self._quoted(cell) for cell in cells))
        end = len(self._layout.text)
        ends_open = bool(self._spans) and self._spans[-1].end == self._spans[-1].after
        before, after = (self.line_end, "") if ends_open else ("", self.line_end)
        return end, end, before + self.line_end.join(lines) + after

    def _quoted(self, cell: str) -> str:
        needs = any(mark in cell for mark in (self.separator, '"', "\r", "\n")) or cell != cell.strip()
        if needs or (self.quotes_all and cell):
            return '"' + cell.replace('"', '""') + '"'
        return cell

    def _find_line_end(self) -> str:
        for span in reversed(self._spans):
            if span.after > span.end:
                return self._layout.text[span.end : span.after]
        return "\n"

    def _find_quoting(self) -> bool:
        """Tell whether the last row with text puts every cell in quotation marks."""
        for span in reversed(self._spans[self._header :]):
            cells = [self._layout.text[start:end] for start, end in span.cells]
            if any(cells):
                return all(cell.startswith('"') for cell in cells if cell)
        return False

    def _decimal_sign(self, column: str) -> str:
        own = self.texts(column)
        sign, _ = settle_decimal_sign(own, 0, 1000)
        if sign is not None and any("," in text or "." in text for text in own.values()):
            return sign
        others = [self.texts(name) for name in _NUMBER_COLUMNS if name != column]
        signs = {
            settle_decimal_sign(texts, -200, 1000)[0]
            for texts in others
            if any(map(_has_sign, texts.values()))
        }
        if signs & {".", ","}:
            return "," if signs == {","} else "."
        return "," if self.separator == ";" else "."

    def _encode(self, text: str) -> bytes:
        encoding = self._layout.encoding
        if encoding == "utf-16":
            encoding = "utf-16-le" if self.data[:2] == b"\xff\xfe" else "utf-16-be"
        elif encoding == "utf-8-sig":
            encoding = "utf-8"
        try:
            return text.encode(encoding)
        except UnicodeEncodeError as error:
            raise InputError(
                [
                    Fault(
                        self.name,
                        values=(text[error.start : error.end],),
                        problem="the file is in Windows-1252, which has no such letter",
                        mend="Save the file as CSV in UTF-8, then record again.",
                    )
                ]
            ) from error

    def _byte_offsets(self, edges: Sequence[int]) -> dict[int, int]:
        text = self._layout.text
        byte, at = len(self.data) - len(self._encode(text)), 0
        found = {}
        for edge in sorted(set(edges)):
            byte += len(self._encode(text[at:edge]))
            at = edge
            found[edge] = byte
        return found


def _has_sign(text: str) -> bool:
    return "," in text or "." in text


def _split(text: str, at: int, separator: str) -> list[_Span]:
    """Return the records of a text that `csv.reader` has read in strict mode, with their places."""
    unquoted = re.compile(f"[^{re.escape(separator)}\r\n]*")
    quoted = re.compile(r'"(?:[^"]|"")*"')
    line_end = re.compile(r"\r\n|\r|\n")
    spans: list[_Span] = []
    size = len(text)
    while at < size:
        start, cells = at, []
        while True:
            match = quoted.match(text, at) or unquoted.match(text, at)
            end = at if match is None else match.end()
            cells.append((at, end))
            at = end
            if at < size and text[at] == separator:
                at += 1
                continue
            break
        broken = line_end.match(text, at)
        after = broken.end() if broken else at
        if broken is None and at < size:  # cannot be in strict mode; stops rather than turn in a circle
            raise ValueError("not a table that csv.reader reads")
        blank = len(cells) == 1 and cells[0] == (start, start)
        spans.append(_Span(() if blank else tuple(cells), start, at, after))
        at = after
    return spans
