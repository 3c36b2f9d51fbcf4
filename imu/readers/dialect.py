"""How a text file is written: encoding, delimiter, decimal sign, what stands above the numbers.

Every delimiter and decimal sign is tried on the first lines; the one under which the most cells
are numbers, in rows of one length, is what the file was written with.
"""

from __future__ import annotations

import codecs
import csv
import re
from collections import Counter
from dataclasses import dataclass, replace

from imu.errors import RecordingError
from imu.readers import units
from imu.readers.files import foreign, safe

HEAD_BYTES = 256 << 10
MAX_LINE = 1 << 20
BLANKS = " "
ARROW = " -> "
"""Serial monitors put the arrival time and this before the line itself."""

MISSING = frozenset(
    s for w in ("nan", "na", "n/a", "null", "none", "nil", "inf", "-inf", "+inf", "infinity", "-infinity", "-nan")
    for s in (w, w.upper(), w.capitalize(), w.title())
) | {"", "#N/A", "-", "--", "---", "----", "NaN", "-NaN", "nan(ind)", "-nan(ind)", "?", "*"}  # fmt: skip
_NUMBER = {
    ".": re.compile(r"[+\-−]?(\d+\.?\d*|\.\d+)([eE][+-]?\d+)?$"),
    ",": re.compile(r"[+\-−]?(\d+(,\d+)?|,\d+)([eE][+-]?\d+)?$"),
}
TIME_LIKE = re.compile(
    r"^(\d{4}[-/.]\d{1,2}[-/.]\d{1,2}([T _]+\d{1,2}[:\-.]\d{2}.*)?"  # 2026-05-03, with a time of day
    r"|\d{1,2}[-/.]\d{1,2}[-/.]\d{2,4}([T _]+\d{1,2}:\d{2}.*)?"  # 03.05.2026
    r"|\d{1,2}:\d{2}(:\d{2})?([.,:]\d+)?( ?[AaPp][Mm])?)$"  # time of day
)


_CONTROL = bytes([*range(9), *range(14, 32), 127])
_SCORED_LINES = 40
_SAMPLE_ROWS = 60
_SAMPLE_ROWS_NAMELESS = 400  # more where the numbers themselves must say which column is which


@dataclass(frozen=True)
class Dialect:
    """`names` and `units` have one entry a column; `names` is empty where there is no header."""

    encoding: str
    delimiter: str
    decimal: str
    skip_lines: int  # before the first row of numbers
    names: tuple[str, ...]
    unit_cells: tuple[str | None, ...]
    columns: int
    preamble: tuple[str, ...]
    sample: tuple[tuple[str, ...], ...]  # the first rows, as text
    arrow: bool = False
    line_end: bytes = b""  # what ends every line besides, where that is not the delimiter

    def describe(self) -> str:
        written = {",": "comma", ";": "semicolon", "\t": "tab", "|": "pipe", BLANKS: "blanks"}
        parts = [f"{written.get(self.delimiter, self.delimiter)} between columns"]
        if self.decimal == ",":
            parts.append("decimal comma")
        if self.encoding not in ("utf-8", "ascii"):
            parts.append(self.encoding)
        if not self.names:
            parts.append("no header")
        if any(self.unit_cells):
            parts.append("a row of units")
        return ", ".join(parts)


def encoding_of(head: bytes, name: str) -> str:
    """The encoding, from a byte order mark or from the bytes themselves."""
    what = foreign(head)
    if what:
        raise RecordingError(f"{safe(name)}: is {what}, which is not read; export it as CSV or Parquet")
    for bom, encoding in (
        (codecs.BOM_UTF8, "utf-8-sig"),
        (codecs.BOM_UTF32_LE, "utf-32"),
        (codecs.BOM_UTF32_BE, "utf-32"),
        (codecs.BOM_UTF16_LE, "utf-16"),
        (codecs.BOM_UTF16_BE, "utf-16"),
    ):
        if head.startswith(bom):
            return encoding
    sample = head[:65536]
    if len(sample) >= 8:
        even, odd = sample[::2].count(0), sample[1::2].count(0)
        if odd > 0.4 * len(sample) / 2 > even * 5:
            return "utf-16-le"
        if even > 0.4 * len(sample) / 2 > odd * 5:
            return "utf-16-be"
    text = sample.rstrip(b"\0")
    control = len(text) - len(text.translate(None, _CONTROL))
    if control > 0.005 * len(text) + 1:
        raise RecordingError(f"{safe(name)}: is not text; export the recording as CSV or Parquet")
    try:
        codecs.getincrementaldecoder("utf-8")().decode(head, final=False)
    except UnicodeDecodeError:
        return "cp1252"
    return "utf-8"


def split(line: str, delimiter: str) -> list[str]:
    """The cells of a line."""
    line = line.rstrip("\r\n\0")
    if delimiter == BLANKS:
        line = " ".join(line.split())
    if '"' not in line:
        return [c.strip() for c in line.split(delimiter)]
    try:
        return [c.strip().strip('"') for c in next(csv.reader([line], delimiter=delimiter, skipinitialspace=True))]
    except (csv.Error, StopIteration):
        return [c.strip().strip('"') for c in line.split(delimiter)]


def is_number(cell: str, decimal: str) -> bool:
    return bool(_NUMBER[decimal].match(cell))


def sniff(head: bytes, name: str, *, whole: bool) -> Dialect:
    """Work out the dialect from the first bytes of a file (`whole`: they are all of it)."""
    if not head:
        raise RecordingError(f"{safe(name)}: is empty; copy it from the sensor again, or leave it out")
    encoding = encoding_of(head, name)
    decoder = codecs.getincrementaldecoder(encoding)(errors="replace")
    text = decoder.decode(head, final=whole)
    if "\n" not in text:
        text = text.replace("\r", "\n")
    lines = text.split("\n")
    if not whole and len(lines) > 1:
        lines.pop()
    if max(map(len, lines)) > MAX_LINE // 8 or (not whole and len(lines) < 2):
        raise RecordingError(f"{safe(name)}: has lines of over {HEAD_BYTES >> 11} kB, which no sensor row is")
    lines = lines[:600]
    arrow = sum(ARROW in line for line in lines) > 0.8 * max(1, sum(bool(line.strip()) for line in lines))
    line_end = ""
    filled = [line.rstrip() for line in lines if line.strip()]
    if sum(line.endswith(";") for line in filled) > 0.8 * len(filled) and sum(
        line.count(";") for line in filled
    ) < 1.2 * len(filled):
        lines, line_end = [line.rstrip().removesuffix(";") for line in lines], ";"
    best: tuple[float, str, str] | None = None
    tried = [line for line in lines if line.strip()][-_SCORED_LINES:]
    together = "\n".join(tried)
    for delimiter in (",", ";", "\t", "|", BLANKS):
        for decimal in (".", ","):
            if delimiter == BLANKS and best is not None and best[0] > 3 * _SCORED_LINES:
                continue
            if (delimiter not in together and delimiter != BLANKS) or (decimal == "," and "," not in together):
                continue
            if delimiter == decimal and '"' not in together:
                continue
            score = _score(tried, delimiter, decimal, arrow=arrow)
            if delimiter == BLANKS:
                score *= 0.6  # a date and time is one cell, and names hold blanks
            if decimal == ",":
                score *= 0.99
            if score > 0 and (best is None or score > best[0]):
                best = (score, delimiter, decimal)
    if best is None:
        raise RecordingError(f"{safe(name)}: holds no rows of numbers that could be sensor samples")
    return replace(_layout(lines, encoding, best[1], best[2], arrow=arrow), line_end=line_end.encode())


def _cells(line: str, delimiter: str, *, arrow: bool) -> list[str]:
    return split(line.replace(ARROW, delimiter if delimiter != BLANKS else " ") if arrow else line, delimiter)


def _kinds(cells: list[str], decimal: str) -> tuple[int, int, int]:
    """Numbers, times and filled cells in a row."""
    number = _NUMBER[decimal].match
    numbers = times = filled = 0
    for cell in cells:
        if number(cell):
            numbers += 1
            filled += 1
        elif cell not in MISSING:
            filled += 1
            times += TIME_LIKE.match(cell) is not None
    return numbers, times, filled


def _is_data(cells: list[str], decimal: str) -> bool:
    numbers, times, filled = _kinds(cells, decimal)
    words = filled - numbers - times
    return len(cells) >= 3 and numbers >= 2 and words <= max(2, filled // 3) and numbers + times > words


def _score(lines: list[str], delimiter: str, decimal: str, *, arrow: bool) -> float:
    lengths: Counter[int] = Counter()
    quality: dict[int, float] = {}
    for line in lines:
        cells = _cells(line, delimiter, arrow=arrow)
        if _is_data(cells, decimal):
            numbers, times, filled = _kinds(cells, decimal)
            good = (numbers + times) / max(filled, 1)
            lengths[len(cells)] += 1
            quality[len(cells)] = quality.get(len(cells), 0.0) + (numbers + times) * good**4
    return max(quality.values(), default=0.0)


def _layout(lines: list[str], encoding: str, delimiter: str, decimal: str, *, arrow: bool) -> Dialect:
    rows: list[list[str]] = []
    data: list[int] = []
    for i, line in enumerate(lines):
        rows.append(_cells(line, delimiter, arrow=arrow))
        if _is_data(rows[-1], decimal):
            data.append(i)
        if len(data) >= (_SAMPLE_ROWS if data and data[0] and data[0] + 1 < i else _SAMPLE_ROWS_NAMELESS):
            break
    width = Counter(len(rows[i]) for i in data).most_common(1)[0][0]
    # The numbers begin where rows of this length follow one another; lone numbers above are notes.
    places = set(data)
    first = next(
        (i for i in data if len(rows[i]) == width and all(j in places for j in range(i, min(i + 2, len(rows) - 1)))),
        data[0],
    )
    above = [i for i in range(first) if lines[i].strip()]
    unit_cells: tuple[str | None, ...] = (None,) * width
    names: tuple[str, ...] = ()
    if above and _is_units_row(rows[above[-1]], width):
        cells = rows[above.pop()]
        unit_cells = tuple((cells + [""] * width)[:width])
    if above:
        line = lines[above[-1]].strip().lstrip("\ufeff")
        marked = re.match(r"^\s*(#|%|//|;|!)+\s*", line)
        cells = _cells(
            line[marked.end() :] if marked and marked.end() else line, delimiter, arrow=arrow and ARROW in line
        )
        if arrow and ARROW not in line and len(cells) == width - 1:
            cells = ["time", *cells]
        quoted = re.search(r'"([^"]+)"\s*$', line)
        if quoted and len(quoted[1].split(delimiter)) == width:
            cells = [c.strip() for c in quoted[1].split(delimiter)]  # all names in one pair of quotes
        if _is_header(cells, width, decimal):
            above.pop()
            groups = rows[above[-1]] if above else []
            if len({c for c in cells if c}) < len([c for c in cells if c]) and len(groups) >= max(3, width // 2):
                cells = _under_groups(groups, cells)
                above.pop()
            if len(cells) == width - 1 and width >= 4 and cells[0] != "":
                pass  # a trailing delimiter in the rows
            names = tuple((cells + [""] * width)[:width])
    widest = max([width, *(len(rows[i]) for i in data if len(rows[i]) - width == 1 and not rows[i][-1])])
    sample = tuple(
        tuple((r + [""] * widest)[:widest]) for r in (rows[i] for i in data if i >= first) if len(r) >= width - 1
    )
    names = names + ("",) * (widest - width) if names else names
    return Dialect(
        encoding=encoding,
        delimiter=delimiter,
        decimal=decimal,
        skip_lines=first,
        names=names,
        unit_cells=(*unit_cells, *(None,) * (widest - width)),
        columns=widest,
        preamble=tuple(lines[i].strip() for i in above),
        sample=sample,
        arrow=arrow,
    )


def _is_units_row(cells: list[str], width: int) -> bool:
    filled = [c for c in cells if c]
    if len(filled) < 2 or abs(len(cells) - width) > 1:
        return False
    known = sum(units.spelled(c) is not None for c in filled)
    distinct = len(set(filled))
    return known >= 2 and known >= 0.4 * len(filled) and distinct < len(filled) + (len(filled) < 4)


def _is_header(cells: list[str], width: int, decimal: str) -> bool:
    words = sum(bool(c) and not is_number(c, decimal) and not TIME_LIKE.match(c) for c in cells)
    return abs(len(cells) - width) <= 1 and words >= max(2, 0.6 * sum(bool(c) for c in cells))


def _under_groups(groups: list[str], cells: list[str]) -> list[str]:
    """Names under names: a sensor's name stands over the first of its columns."""
    out, current = [], ""
    for i, cell in enumerate(cells):
        if i < len(groups) and groups[i]:
            current = groups[i]
        out.append(f"{current} {cell}".strip())
    return out
