"""Delimited text to arrays of numbers, block by block, in memory bounded by the result.

Blocks of whole lines go through pyarrow's parser, many times faster than anything in Python. A
block in which some cell will not be read as a number is parsed again as text, cell by cell; one
with rows of changing length goes through pandas. What is still no number becomes NaN.
"""

from __future__ import annotations

import codecs
import io
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from imu.errors import RecordingError
from imu.readers import stamps
from imu.readers.dialect import ARROW, BLANKS, MAX_LINE, MISSING, Dialect
from imu.readers.files import Entry, safe
from imu.recording import Array

if TYPE_CHECKING:
    import pyarrow as pa

BLOCK_BYTES = 4 << 20
MAX_LABELS = 256

Progress = Callable[[int], None]
"""Called with the bytes done since the last call."""


@dataclass(frozen=True)
class Want:
    """Columns to be read together: `number` (n,), `vector` (n, 3), `time` (n,) from text, or
    `label` (n,) codes into `Loaded.labels`."""

    kind: str
    columns: tuple[int, ...]


@dataclass
class Loaded:
    arrays: list[Array]
    labels: dict[int, list[str]] = field(default_factory=dict)
    cut_rows: int = 0
    clock: str = "epoch"  # of times that are text: "epoch", "local" or "day"


@dataclass(frozen=True)
class Source:
    """A text file whose dialect is known."""

    entry: Entry
    dialect: Dialect

    def load(self, wants: list[Want], progress: Progress | None = None) -> Loaded:
        return load(self.entry, self.dialect, wants, progress)


class _Growing:
    """An array that grows in place, so that reading never holds it twice."""

    def __init__(self, width: int, expected: int, dtype: type = np.float64) -> None:
        self._data: Any = (
            np.empty((max(expected, 1024), width), dtype) if width > 1 else np.empty(max(expected, 1024), dtype)
        )
        self.count = 0

    def room(self, rows: int) -> Any:
        if self.count + rows > len(self._data):
            size = max(self.count + rows, self.count + (self.count >> 3))
            self._data.resize((size, *self._data.shape[1:]), refcheck=False)
        view = self._data[self.count : self.count + rows]
        self.count += rows
        return view

    def done(self) -> Array:
        self._data.resize((self.count, *self._data.shape[1:]), refcheck=False)
        return self._data


def load(entry: Entry, dialect: Dialect, wants: list[Want], progress: Progress | None = None) -> Loaded:
    """Read the wanted columns of a file."""
    out = Loaded([])
    growing: list[_Growing] = []
    seen = 0
    for block in blocks(entry, dialect, progress):
        table, cut = _parse(block, dialect, wants)
        rows = len(table[wants[0].columns[0]]) if wants else 0
        out.cut_rows += cut
        if not growing:
            expected = int(rows * min(1.05 * max(entry.size, len(block)) / max(len(block), 1), 4e8)) + 64
            growing = [
                _Growing(len(w.columns), min(expected, 1 << 25), np.int16 if w.kind == "label" else np.float64)
                for w in wants
            ]
        for want, store in zip(wants, growing, strict=True):
            room = store.room(rows)
            if want.kind == "label":
                room[:] = _codes(table[want.columns[0]], out.labels.setdefault(want.columns[0], []), entry.name)
            elif want.kind == "time":
                room[:], out.clock = stamps.text_to_seconds(table[want.columns[0]])
            elif want.kind == "number":
                room[:] = table[want.columns[0]]
            else:
                for i, column in enumerate(want.columns):
                    room[:, i] = table[column]
        seen += rows
    out.arrays = [g.done() for g in growing] or [np.empty((0, 3) if w.kind == "vector" else 0) for w in wants]
    return out


def blocks(entry: Entry, dialect: Dialect, progress: Progress | None = None) -> Iterator[bytes]:
    """Whole lines of rows as UTF-8, without what stands above them."""
    decode = None
    if dialect.encoding not in ("utf-8", "utf-8-sig"):
        decode = codecs.getincrementaldecoder(dialect.encoding)(errors="replace")
    skip = dialect.skip_lines
    rest = b""
    newline: bytes | None = None
    with entry.open() as stream:
        first = True
        while True:
            data = stream.read(BLOCK_BYTES)
            if progress:
                progress(len(data))
            final = not data
            if (decode and (decode.encoding if hasattr(decode, "encoding") else dialect.encoding) != "cp1252") or (
                decode and not data.isascii()
            ):
                data = decode.decode(data, final).encode()
            if first and data:
                data, first = data.removeprefix(codecs.BOM_UTF8), False
                newline = b"\n" if b"\n" in data else b"\r"
            if newline == b"\r":
                data = data.replace(b"\r", b"\n")
            if b"\0" in data:
                data = data.replace(b"\0", b"")
            if final:
                chunk, rest = rest, b""
            else:
                end = data.rfind(b"\n") + 1
                if not end:
                    rest += data
                    if len(rest) > MAX_LINE + BLOCK_BYTES:
                        raise RecordingError(
                            f"{safe(entry.name)}: has a line of over {MAX_LINE >> 20} MB, which no sensor row is"
                        )
                    continue
                chunk, rest = rest + data[:end], data[end:]
            while skip and chunk:
                end = chunk.find(b"\n") + 1
                chunk, skip = (chunk[end:] if end else b""), skip - 1
            if chunk.strip():
                yield _normal(chunk, dialect)
            if final:
                return


def _normal(chunk: bytes, dialect: Dialect) -> bytes:
    if not chunk.isascii():  # the parser stumbles over what is no UTF-8
        chunk = chunk.decode("utf-8", "replace").encode()
    if dialect.line_end:
        chunk = chunk.replace(dialect.line_end + b"\r\n", b"\n").replace(dialect.line_end + b"\n", b"\n")
    if dialect.arrow:
        chunk = chunk.replace(ARROW.encode(), b" " if dialect.delimiter == BLANKS else dialect.delimiter.encode())
    if dialect.delimiter == BLANKS:
        chunk = chunk.replace(b"\t", b" ")
        while b"  " in chunk:  # several passes of `replace` are many times faster than one of `re`
            chunk = chunk.replace(b"  ", b" ")
        chunk = chunk.replace(b"\n ", b"\n").replace(b" \n", b"\n").replace(b" \r\n", b"\n").strip(b" ")
    return chunk


_NULLS = sorted(MISSING)


def _parse(block: bytes, dialect: Dialect, wants: list[Want]) -> tuple[dict[int, Any], int]:
    """The wanted columns of a block (numbers as float64, the others as lists of text), and how
    many rows had the wrong number of cells."""
    import pyarrow as pa
    from pyarrow import csv

    names = [str(i) for i in range(dialect.columns)]
    numeric = {c for w in wants if w.kind in ("number", "vector") for c in w.columns}
    columns = sorted({c for w in wants for c in w.columns})
    ragged: list[int] = []

    def wrong_length(row: csv.InvalidRow) -> str:
        ragged.append(row.actual_columns)
        return "skip"

    def parse(*, as_text: bool) -> pa.Table:
        ragged.clear()
        return csv.read_csv(
            io.BytesIO(block),
            read_options=csv.ReadOptions(column_names=names, block_size=1 << 20, use_threads=True),
            parse_options=csv.ParseOptions(delimiter=dialect.delimiter, invalid_row_handler=wrong_length),
            convert_options=csv.ConvertOptions(
                include_columns=[str(c) for c in columns],
                column_types={str(c): pa.float64() if c in numeric and not as_text else pa.string() for c in columns},
                null_values=_NULLS,
                strings_can_be_null=True,
                decimal_point="." if as_text else dialect.decimal,
            ),
        )

    try:
        table = parse(as_text=False)
        if len(ragged) <= 0.02 * (table.num_rows + len(ragged)) + 1:
            return {c: _values(table.column(str(c)), numeric=c in numeric) for c in columns}, len(ragged)
    except pa.ArrowInvalid as error:
        if "straddling" in str(error):
            raise RecordingError("a line is over 1 MB long, which no sensor row is") from None
        table = None
    if table is None:
        try:
            table = parse(as_text=True)
        except pa.ArrowInvalid:
            table = None
        if table is not None and len(ragged) <= 0.02 * (table.num_rows + len(ragged)) + 1:
            out = {}
            for c in columns:
                text = table.column(str(c)).to_pandas()
                out[c] = _coerce(text, dialect.decimal) if c in numeric else text.tolist()
            return out, len(ragged)
    return _parse_ragged(block, dialect, columns, numeric)


def _values(column: pa.ChunkedArray, *, numeric: bool) -> Any:
    if not numeric:
        return column.to_pylist()
    if column.null_count:
        import pyarrow.compute as pc

        column = pc.fill_null(column, float("nan"))
    # DLPack, since `to_numpy` loads all of pandas first, which takes longer than the reading.
    parts = [np.from_dlpack(chunk) for chunk in column.chunks]
    return parts[0] if len(parts) == 1 else np.concatenate(parts) if parts else np.empty(0)


def _coerce(text: Any, decimal: str) -> Array:
    import pandas as pd

    text = text.astype("object")
    if decimal == ",":
        text = text.str.replace(",", ".", regex=False)
    text = text.str.strip().str.replace("−", "-", regex=False)
    return pd.to_numeric(text, errors="coerce").to_numpy(float)


def _parse_ragged(block: bytes, dialect: Dialect, columns: list[int], numeric: set[int]) -> tuple[dict[int, Any], int]:
    """Rows of changing length: what is short is filled with nothing, what is long is cut."""
    import pandas as pd

    wide = max(dialect.columns, 1) + 64
    frame = None
    for quoting in (0, 3) if b'"' in block else (3,):  # a quote without its partner is no quote
        try:
            frame = pd.read_csv(
                io.BytesIO(block),
                sep=dialect.delimiter,
                header=None,
                names=range(wide),
                dtype=str,
                keep_default_na=False,
                engine="c",
                on_bad_lines="skip",
                encoding_errors="replace",
                quoting=quoting,
            )
            break
        except (pd.errors.ParserError, ValueError):
            continue
    if frame is None:
        return {c: np.empty(0) if c in numeric else [] for c in columns}, block.count(b"\n")
    lines = sum(1 for line in block.split(b"\n") if line.strip())
    out: dict[int, Any] = {}
    for c in columns:
        text = frame[c]
        out[c] = (
            _coerce(text, dialect.decimal)
            if c in numeric
            else [t if isinstance(t, str) and t not in MISSING else None for t in text]
        )
    return out, max(0, lines - len(frame))


def _codes(cells: Any, known: list[str], name: str) -> NDArray[np.int16]:
    import pandas as pd

    codes, found = pd.factorize(pd.Series(cells, dtype=object))
    place = []
    for text in found:
        text = str(text)
        if text not in known:
            if len(known) >= MAX_LABELS:
                raise RecordingError(
                    f"{safe(name)}: the column that should name the sensor holds over {MAX_LABELS} names"
                )
            known.append(text)
        place.append(known.index(text))
    table = np.array([*place, -1], np.int16)
    return table[codes]
