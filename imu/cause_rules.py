"""Rules of cause and effect, as a coach reads and edits them: `default_causes.toml`, or a file like it."""

from __future__ import annotations

import tomllib
from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from imu.errors import CupbowError
from imu.recording import ANGLES, EVENTS

FORMAT = "cupbow.causes/1"
SHIPPED = Path(__file__).with_name("default_causes.toml")

CAUSES = ("wrist_flexion", "wrist_deviation", "forearm_roll")
"""What a student moves; the rest follows."""

TURNS = ("with", "against", "either")
FLIGHTS = ("start", "curve", "carry")


class RulesError(CupbowError):
    """A rules file that cannot be what it claims to be."""


@dataclass(frozen=True)
class Rule:
    """`cause` and `effect` are angle@event or angle@event..event; `turns` what is said of the direction."""

    cause: str
    effect: str
    turns: str
    says: str
    source: str

    @property
    def sign(self) -> int:
        return {"with": 1, "against": -1, "either": 0}[self.turns]


@dataclass(frozen=True)
class BallRule:
    """`flight` is start or curve (towards the open side +), or carry."""

    reading: str
    flight: str
    turns: str
    says: str
    source: str

    @property
    def sign(self) -> int:
        return {"with": 1, "against": -1, "either": 0}[self.turns]


@dataclass(frozen=True)
class Rules:
    rules: tuple[Rule, ...]
    balls: tuple[BallRule, ...] = ()
    name: str = ""

    @property
    def effects(self) -> tuple[str, ...]:
        return tuple(dict.fromkeys(r.effect for r in self.rules))

    @property
    def causes(self) -> tuple[str, ...]:
        return tuple(dict.fromkeys(r.cause for r in self.rules))


def load_rules(path: Path | str | None = None) -> Rules:
    """Rules from a TOML file, the shipped ones where None. Raises RulesError in one line."""
    file = SHIPPED if path is None else Path(path)
    try:
        data = tomllib.loads(file.read_text(encoding="utf-8"))
    except OSError as error:
        raise RulesError(f"{file}: cannot be read ({error.strerror}); name a file of rules") from None
    except UnicodeDecodeError:
        raise RulesError(f"{file}: is not a text in UTF-8; write the rules as TOML") from None
    except tomllib.TOMLDecodeError as error:
        raise RulesError(f"{file}: is not TOML ({error}); mend that line") from None
    try:
        return _rules(data)
    except RulesError as error:
        raise RulesError(f"{file}: {error}") from None


def _rules(data: Mapping[str, Any]) -> Rules:
    unknown = sorted(set(data) - {"format", "name", "rule", "ball"})
    if unknown:
        raise RulesError(f"unknown field {unknown[0]!r}; a rules file has format, name, [[rule]] and [[ball]]")
    if data.get("format") != FORMAT:
        raise RulesError(f'format is {data.get("format")!r}; this version reads format = "{FORMAT}"')
    rules = [Rule(**_fields(e, f"rule {i}", "cause", "effect")) for i, e in _entries(data, "rule")]
    balls = [BallRule(**_fields(e, f"ball {i}", "reading", "flight")) for i, e in _entries(data, "ball")]
    for i, r in enumerate(rules, 1):
        _check_key(r.cause, f"rule {i}: cause")
        _check_key(r.effect, f"rule {i}: effect")
        if r.cause.partition("@")[0] not in CAUSES:
            raise RulesError(f"rule {i}: cause {r.cause!r} is not a movement; use one of {', '.join(CAUSES)}")
        if r.effect.partition("@")[0] in CAUSES or ".." in r.effect:
            raise RulesError(f"rule {i}: effect {r.effect!r} is not face or shaft at one event")
        if EVENTS.index(_last(r.cause)) > EVENTS.index(_last(r.effect)):
            raise RulesError(f"rule {i}: the cause {r.cause!r} comes after its effect {r.effect!r}")
    for i, b in enumerate(balls, 1):
        _check_key(b.reading, f"ball {i}: reading")
        if b.flight not in FLIGHTS:
            raise RulesError(f"ball {i}: flight {b.flight!r} is not known; use one of {', '.join(FLIGHTS)}")
    for kind, pairs in (
        ("rule", [(r.cause, r.effect) for r in rules]),
        ("ball", [(b.reading, b.flight) for b in balls]),
    ):
        twice = [pair for pair, n in Counter(pairs).items() if n > 1]
        if twice:
            raise RulesError(f"{kind} {' and '.join(twice[0])} stands there twice; leave one")
    name = data.get("name", "")
    if not isinstance(name, str):
        raise RulesError("name is a text")
    return Rules(tuple(rules), tuple(balls), name)


def _entries(data: Mapping[str, Any], name: str) -> list[tuple[int, Mapping[str, Any]]]:
    entries = data.get(name, [])
    if not isinstance(entries, list) or not all(isinstance(e, dict) for e in entries):
        raise RulesError(f"{name} is to be a list of tables, each headed [[{name}]]")
    return list(enumerate(entries, 1))


def _fields(entry: Mapping[str, Any], label: str, *own: str) -> dict[str, str]:
    known = (*own, "turns", "says", "source")
    unknown = sorted(set(entry) - set(known))
    if unknown:
        raise RulesError(f"{label}: unknown field {unknown[0]!r}; one of {', '.join(known)}")
    for name in known:
        if not isinstance(entry.get(name), str) or not entry[name].strip():
            raise RulesError(f"{label}: {name} is to be a text" + ("" if name in entry else "; it is missing"))
    if entry["turns"] not in TURNS:
        raise RulesError(f"{label}: turns is {entry['turns']!r}; use {', '.join(TURNS)}")
    return {name: entry[name].strip() for name in known}


def _check_key(key: str, label: str) -> None:
    angle, at, where = key.partition("@")
    events = where.split("..")
    if not at or angle not in ANGLES or len(events) > 2 or any(e not in EVENTS for e in events):
        raise RulesError(
            f"{label} {key!r} is not angle@event (angles: {', '.join(ANGLES)}; events: {', '.join(EVENTS)})"
        )


def _last(key: str) -> str:
    return key.partition("@")[2].split("..")[-1]
