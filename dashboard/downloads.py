"""Numbers to take away: the files of one recording, made when asked for."""

from __future__ import annotations

import io
import json
import re
from dataclasses import dataclass

from dashboard.service import Ready, Service
from imu.errors import CupbowError

KINDS = {
    "results.json": "application/json",
    "numbers.csv": "text/csv; charset=utf-8",
    "traces.csv": "text/csv; charset=utf-8",
    "traces.parquet": "application/vnd.apache.parquet",
}


@dataclass(frozen=True)
class Download:
    body: bytes
    media_type: str
    name: str

    @property
    def disposition(self) -> str:
        return f'attachment; filename="{self.name}"'


def download(service: Service, key: str, what: str) -> Download:
    """One file of a measured recording; `what` is a key of `KINDS`."""
    if what not in KINDS:
        raise CupbowError(f"there is no file {what!r} to take away; there are {', '.join(KINDS)}")
    entry = service.entry(key)
    if entry is None:
        raise CupbowError(f"there is no recording {key!r} here")
    state = service.open(entry)
    if not isinstance(state, Ready):
        raise CupbowError(f"{entry.name} is not measured; open it on its page first")
    measurement = state.measurement
    if what == "results.json":
        body = (json.dumps(measurement.to_json(), indent=1, allow_nan=False) + "\n").encode()
    elif what == "numbers.csv":
        body = measurement.table().to_csv(index=False).encode()
    elif what == "traces.csv":
        body = measurement.traces().to_csv(index=False, float_format="%.6g").encode()
    else:
        out = io.BytesIO()
        measurement.traces().to_parquet(out, index=False)
        body = out.getvalue()
    stem = re.sub(r"[^A-Za-z0-9._-]+", "-", entry.name).strip(".-") or "recording"
    return Download(body, KINDS[what], f"{stem}-{what}")
