"""Parquet: the same columns as in text, already split into numbers."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, cast

import numpy as np

from imu.errors import RecordingError
from imu.readers import delimited, stamps
from imu.readers.delimited import Loaded, Progress, Want
from imu.readers.dialect import Dialect
from imu.readers.files import Entry, safe

if TYPE_CHECKING:
    import pyarrow.parquet as pq

MAX_COLUMNS = 4000


@dataclass(frozen=True)
class ParquetSource(delimited.Source):
    def load(self, wants: list[Want], progress: Progress | None = None) -> Loaded:
        out = Loaded([])
        growing: list[delimited._Growing] = []
        columns = sorted({c for w in wants for c in w.columns})
        with _open(self.entry) as file:
            rows = file.metadata.num_rows
            growing = [
                delimited._Growing(len(w.columns), min(rows, 1 << 25), np.int16 if w.kind == "label" else np.float64)
                for w in wants
            ]
            names = [file.schema_arrow.names[c] for c in columns]
            for batch in file.iter_batches(65536, columns=names):
                cells = {c: batch.column(batch.schema.get_field_index(n)) for c, n in zip(columns, names, strict=True)}
                for want, store in zip(wants, growing, strict=True):
                    room = store.room(batch.num_rows)
                    if want.kind == "label":
                        texts = [None if v is None else str(v) for v in cells[want.columns[0]].to_pylist()]
                        room[:] = delimited._codes(texts, out.labels.setdefault(want.columns[0], []), self.entry.name)
                    elif want.kind == "time":
                        room[:], out.clock = _times(cells[want.columns[0]])
                    elif want.kind == "number":
                        room[:] = _numbers(cells[want.columns[0]])
                    else:
                        for i, c in enumerate(want.columns):
                            room[:, i] = _numbers(cells[c])
            if progress:
                progress(self.entry.size)
        out.arrays = [g.done() for g in growing]
        return out


def open_table(entry: Entry) -> ParquetSource:
    with _open(entry) as file:
        schema = file.schema_arrow
        if len(schema.names) > MAX_COLUMNS:
            raise RecordingError(
                f"{safe(entry.name)}: has {len(schema.names)} columns, more than the {MAX_COLUMNS} that are read"
            )
        if len(set(schema.names)) != len(schema.names):
            raise RecordingError(f"{safe(entry.name)}: has two columns of one name")
        first = next(file.iter_batches(400), None)
    if first is None or not first.num_rows:
        raise RecordingError(f"{safe(entry.name)}: holds no rows")
    sample = tuple(zip(*[[_text(v) for v in _cells(first.column(i))] for i in range(len(schema.names))], strict=True))
    dialect = Dialect(
        "utf-8", "", ".", 0, tuple(schema.names), (None,) * len(schema.names), len(schema.names), (), sample
    )
    return ParquetSource(entry, dialect)


@contextmanager
def _open(entry: Entry) -> Iterator[pq.ParquetFile]:
    import pyarrow as pa
    import pyarrow.parquet as pq

    with entry.open() as stream:
        try:
            if not stream.seekable() or hasattr(stream, "_packed"):
                import io

                stream = cast(Any, io.BytesIO(stream.read(1 << 30)))
            yield pq.ParquetFile(stream)
        except (pa.ArrowException, OSError) as error:
            line = str(error).split("\n")[0][:150]
            raise RecordingError(f"{safe(entry.name)}: is a damaged Parquet file ({line})") from None


def _cells(column: Any) -> list[Any]:
    import pyarrow as pa

    if pa.types.is_timestamp(column.type) or pa.types.is_date(column.type):
        return [None if v is None else str(v) for v in column.cast(pa.timestamp("us")).to_pylist()]
    return column.to_pylist()


def _text(value: object) -> str:
    if value is None:
        return ""
    if isinstance(value, float):
        return repr(value) if np.isfinite(value) else "nan"
    return str(value)


def _numbers(column: Any) -> Any:
    import pyarrow as pa

    t = column.type
    if pa.types.is_floating(t) or pa.types.is_integer(t) or pa.types.is_decimal(t) or pa.types.is_boolean(t):
        return column.cast(pa.float64(), safe=False).to_numpy(zero_copy_only=False)
    if pa.types.is_string(t) or pa.types.is_large_string(t):
        return delimited._coerce(column.to_pandas(), ".")
    return np.full(len(column), np.nan)


def _times(column: Any) -> tuple[Any, str]:
    import pyarrow as pa

    if pa.types.is_timestamp(column.type):
        nanos = column.cast(pa.timestamp("ns"), safe=False).cast(pa.int64()).to_numpy(zero_copy_only=False)
        return nanos / 1e9, "epoch" if column.type.tz else "local"
    return stamps.text_to_seconds(column.to_pylist())
