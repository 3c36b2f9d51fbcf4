"""What a column holds, told from its name: quantity, axis, unit, and which sensor it belongs to.

Names are cut into words at punctuation and changes of case; words that say the quantity, the axis
or the unit are recognised in any order, and what is left over names the sensor.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import Literal

from imu.readers import units
from imu.recording import Role

Quantity = Literal["time", "counter", "accel", "linear", "gravity", "gyro", "vector", "label", "other"]


def _set(words: str) -> frozenset[str]:
    return frozenset(words.split())


_ACCEL = _set("acc accel accelerometer acceleration accelero accelerations gforce gf xl acce accl")
_GYRO = _set("gyr gyro gyroscope gyros omega angvel angularvelocity angularrate rotationrate rotrate avel")
_LINEAR = _set("linear lin user free linacc freeacc useracceleration linearacceleration lacc userdef")
_GRAVITY = _set("gravity grav")
_OTHER = _set(
    """
    mag magn magnetometer magnetic magfield compass mx my mz quat quaternion q qw qx qy qz q0 q1 q2 q3 euler eul
    roll pitch yaw heading angle angles orientation attitude att temp temperature pressure press baro altitude gps
    lat lon latitude longitude speed pos position delta dv dq velinc oriinc inc bias std var variance battery
    voltage status emg ecg hr heart opt light proximity humidity sound steps confidence accuracy jerk snr rssi
    clip checksum crc motion valid movement velocity
    """
)
_TIME = _set(
    """
    time timestamp timestamps ts t epoch epoc datetime date clock tick ticks millis micros nanos elapsed seconds
    secs milliseconds microseconds nanoseconds zeit zeitstempel temps tiempo tempo tid aika sampletimefine utc
    unix localtime unixtime timems timeus msec usec
    """
)
_COUNTER = _set("counter count sample samples index idx frame packet packetcounter seq sequence row no n nr #")
_LABEL = _set(
    """
    device devicename sensor sensorname sensorid sensortype type id role segment location placement node name mac
    address source stream kind quantity label tag unit bodypart
    """
)
_NOISE = _set(
    """
    sensor imu data cal calibrated raw uncal uncalibrated mean value values meas measured axis the of and in m ln
    wr low high lownoise widerange rate total with g sens reading since reboot start rotation sample fine body
    filt filtered fused unc
    """
)
_WORSE = {
    "including": -2, "cal": -1, "raw": 2, "uncal": 2, "uncalibrated": 2, "unc": 2, "wr": 1, "high": 1, "widerange": 1
}  # fmt: skip
"""How a word in the name speaks for or against one of several accelerometers, say."""
_PAIRS = {
    ("angular", "velocity"), ("angular", "rate"), ("angular", "speed"), ("angular", "vel"), ("rotation", "rate"),
    ("turn", "rate"), ("rotational", "velocity"), ("rotation", "velocity"), ("rate", "turn"), ("ang", "vel"),
}  # fmt: skip
_GLUED = re.compile(
    r"^(?P<prefix>acc|ac|aac|accel|accelerometer|acceleration|a|gyr|gy|gyro|gyroscope|g|w|omega|gf|gforce|linacc|lin|grav|gravity|"
    r"rotationrate|as|ang|angvel|av|xl)(?P<n1>\d*)_?(?P<axis>[xyz])(?P<n2>\d*)$"
)
_WORDS = re.compile(
    r"(?<![A-Za-z0-9])(?=[A-F]*\d)[0-9A-F]{4,}(?![A-Za-z0-9])|[A-Z]{2,}(?![a-z])|[A-Z]?[a-zµμ]+|[A-Z]|\d+|#"
)
_BRACKETS = re.compile(r"[(\[{]([^()\[\]{}]*(?:\([^()]*\)[^()\[\]{}]*)?)[)\]}]")

ROLE_WORDS: dict[str, Role] = {
    "forearm": "forearm", "lowerarm": "forearm", "lower arm": "forearm", "radius": "forearm", "ulna": "forearm",
    "hand": "hand", "glove": "hand", "metacarpal": "hand",
    "club": "club", "shaft": "club", "grip": "club",
}  # fmt: skip


_MINUS_SPECIFIC_FORCE = re.compile(r"accelerometerAcceleration|(?i:motion.?user.?acc|motion.?gravity|\buser.?acc)")
"""Words of the one phone interface (Core Motion) that gives gravity pointing down. Its gravity
columns take the sign of the acceleration beside them."""


@dataclass(frozen=True)
class Channel:
    """One column: its position and name, and what the name says."""

    column: int
    name: str
    quantity: Quantity
    axis: int | None = None
    unit: str | None = None
    device: str = ""
    rank: int = 0  # among rivals of one quantity the lowest is taken
    named: bool = False  # by the user
    turned: bool = False  # this interface gives acceleration with the sign of -specific force


def role_in(text: str) -> Role | None:
    """The one role that a file name, column prefix or device name speaks of, if any."""
    words = f" {' '.join(re.findall(r'[a-z]+', text.lower()))} "
    found = {role for word, role in ROLE_WORDS.items() if f" {word} " in words}
    return found.pop() if len(found) == 1 else None


def parse(column: int, name: str, unit_cell: str | None = None) -> Channel:
    """What a column's name says; `unit_cell` is the cell of a units row under the header."""
    declared = re.fullmatch(r"\s*%\w+\((\w+)\)\s*", name)  # "%float(RawGyroX)", as in a format string
    base, unit = _split_unit(declared[1] if declared else name)
    if unit_cell:
        unit = units.spelled(unit_cell) or unit
    words = [w.lower() for w in _WORDS.findall(base)]
    quantity, axis, left = _classify(words)
    rank = sum(_WORSE.get(w, 0) for w in words)
    if quantity in ("vector", "other") and axis is not None and unit and not _OTHER & set(words):
        quantity = "accel" if unit in units.ACCEL_UNITS else "gyro" if unit in units.GYRO_UNITS else quantity
    if unit in units.TIME_UNITS and quantity not in ("accel", "gyro", "linear", "gravity"):
        quantity, axis = "time", None
    if quantity == "accel" and unit in units.GYRO_UNITS:  # "Angular acceleration"? no: a rate under a poor name
        quantity = "gyro"
    if quantity in ("accel", "linear", "gravity") and unit not in (*units.ACCEL_UNITS, units.COUNTS):
        unit = None
    if quantity == "gyro" and unit not in (*units.GYRO_UNITS, units.COUNTS):
        unit = None
    if quantity == "time" and unit not in units.TIME_UNITS:
        unit = next((u for w in words for u in [_TIME_WORD_UNITS.get(w)] if u), None)
    device = " ".join(w for w in left if w not in _NOISE)
    turned = quantity in ("accel", "linear", "gravity") and bool(_MINUS_SPECIFIC_FORCE.search(base))
    return Channel(column, name, quantity, axis, unit, device, rank, turned=turned)


_TIME_WORD_UNITS = {
    "millis": "ms", "milliseconds": "ms", "micros": "us", "microseconds": "us", "nanos": "ns", "nanoseconds": "ns",
    "seconds": "s", "secs": "s", "msec": "ms", "usec": "us", "timems": "ms", "timeus": "us", "ms": "ms", "us": "us",
    "ns": "ns",
}  # fmt: skip


def _split_unit(name: str) -> tuple[str, str | None]:
    """Take the unit off a name: 'Acc X (g)', 'gyro_x [deg/s]', 'ax_m/s/s', 't_ms'."""
    name = name.strip().strip('"').strip()
    for match in reversed(list(_BRACKETS.finditer(name))):
        unit = units.spelled(match.group(1))
        if unit:
            return (name[: match.start()] + " " + name[match.end() :]).strip(), unit
    parts = re.split(r"([\s_,.:;-])", name)
    for i in range(1, len(parts), 2):
        tail = "".join(parts[i + 1 :])
        unit = units.spelled(tail)
        # A lone 'g', 's' or 'raw' is a unit only after something that has that quantity.
        if unit and not (unit == units.COUNTS and len(parts) - i > 2):
            head = "".join(parts[:i])
            if unit in units.TIME_UNITS and not _TIME & {w.lower() for w in _WORDS.findall(head)}:
                continue
            if tail.lower() in ("g", "gravity") and not re.search(r"[xyzXYZ]\W*$", head):
                continue
            return head, unit
    return _BRACKETS.sub(" ", name).strip() or name, None


def _classify(words: list[str]) -> tuple[Quantity, int | None, list[str]]:
    axis: int | None = None
    quantity: Quantity | None = None
    linear = gravity = False
    left: list[str] = []
    i = 0
    while i < len(words):
        word = words[i]
        following = words[i + 1] if i + 1 < len(words) else ""
        glued = _GLUED.match(word)
        if (word, following) in _PAIRS or (word, following, *words[i + 2 : i + 3]) == ("rate", "of", "turn"):
            quantity = "gyro"
            i += 3 if following == "of" else 2
            continue
        if word in ("a", "ac", "g", "gy", "w", "gf", "as") and following in ("x", "y", "z"):
            quantity = "accel" if word in ("a", "ac", "gf") else "gyro"
        elif word == "including" and following == "gravity":
            i += 1
        elif glued and word not in _OTHER and not (axis is not None and len(word) == 2):
            prefix = glued["prefix"]
            axis = "xyz".index(glued["axis"])
            linear |= prefix.startswith("lin")
            gravity |= prefix.startswith("grav")
            if prefix.startswith(("a", "gf", "xl")) and prefix not in ("as", "ang", "angvel", "av"):
                quantity = "accel"
            elif not linear and not gravity:
                quantity = "gyro"
            left += [n for n in (glued["n1"], glued["n2"]) if n]
        elif word in _OTHER and not (quantity and word in ("q", "m")):
            if word == "motion" and following in ("rotation", "user", "gravity"):
                i += 1
                continue
            return ("other", axis, left) if quantity is None or word not in ("clip", "valid") else ("other", None, left)
        elif word in _LINEAR:
            linear = True
        elif word in _GRAVITY:
            gravity = True
        elif word == "without" and following in ("g", "gravity"):
            linear, i = True, i + 1
        elif word in _ACCEL:
            quantity = quantity or "accel"
        elif word in _GYRO:
            quantity = "gyro"
        elif word in ("gfx", "gfy", "gfz"):
            quantity, axis = "accel", "xyz".index(word[-1])
        elif word == "g" and following in ("fx", "fy", "fz"):
            quantity, axis, i = "accel", "xyz".index(following[-1]), i + 1
        elif word in ("x", "y", "z"):
            axis = "xyz".index(word) if axis is None else axis
        elif word == "rotation" and "rate" in words:
            quantity = "gyro"
        else:
            left.append(word)
        i += 1
    if quantity in (None, "accel") and gravity and not linear:
        return "gravity", axis, left
    if quantity in (None, "accel") and linear:
        return ("linear", axis, left) if quantity or axis is not None else ("other", axis, left)
    if quantity and axis is not None:
        return quantity, axis, left
    if quantity and not set(left) & _TIME:
        return "other", None, left
    if axis == 0 and left == ["value"]:  # an open measurement format names time so
        return "time", None, []
    if axis is not None:
        return "vector", axis, left
    meaning = set(left)
    if meaning & _TIME:
        return "time", None, [w for w in left if w not in _TIME and w not in _TIME_WORD_UNITS]
    if meaning & _COUNTER:
        return "counter", None, [w for w in left if w not in _COUNTER]
    if meaning & _LABEL:
        return "label", None, [w for w in left if w not in _LABEL]
    if meaning and meaning <= set(_TIME_WORD_UNITS):
        return "time", None, []
    return "other", None, left
