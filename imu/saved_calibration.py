"""A calibration that outlasts its recording: what the sensors are like, and how they are strapped on.

Two parts. The *sensors'* part (gyro bias, scale and cross-axis, accelerometer error) belongs to the
devices and stays. The *mounting* part (how each sensor sits on its segment, how the club lies in the
hand, how much the skin slips, and with them the zero of the wrist) ends when a strap comes off.

Both are kept as values with their joint covariance, so that a recording without poses is fitted as
if the poses' recording were in front of it (sequential least squares: Kay 1993, Fundamentals of
Statistical Signal Processing: Estimation Theory, ch. 8.7): the zero's uncertainty comes along, and
what the new recording shows sharpens it.
"""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any, get_args

import numpy as np
from scipy.spatial.transform import Rotation

from imu.errors import CupbowError
from imu.fit import DEG, SENSOR_UNKNOWNS, Beliefs, Knowledge
from imu.measured import write_whole
from imu.recording import Array, Handedness, Role

if TYPE_CHECKING:
    from imu.fitting import Fitted

SCHEMA = "cupbow.calibration/1"

# How far each may have moved since (standard deviations, SI). Bias wanders with temperature from one
# switching-on to the next; the mountings stay as they are while the straps do.
_WANDER = {"bias": 0.5 * DEG, "accel_bias": 0.03, "matrix": 0.001, "accel_matrix": 0.001}


@dataclass(frozen=True, eq=False)
class Calibration:
    """Values of the fit's lasting unknowns with their covariance.

    `values`: unknown -> array, in SI: `matrix:<role>` (3, 3), `accel_bias:<role>` (3,) m/s²,
    `accel_matrix:<role>` (3, 3), `bias:<role>` (3,) rad/s; with a mounting `mount:<segment>` (3, 3)
    segment to sensor, `grip` (3, 3) hand to club, `slip` (1,), `coupling` (5,). `covariance`: (n, n) of their
    increments in the order of `names`, rotations as left rotation vectors (3,).
    """

    handedness: Handedness
    roles: tuple[Role, ...]
    names: tuple[tuple[str, int], ...]
    values: Mapping[str, Array]
    covariance: Array
    face_known: bool = False
    own_flat: bool = False
    via_grip: bool = False  # the club sensor stands in for the hand's
    missing: Mapping[str, str] | None = None
    made_at: str = ""
    club: str | None = None

    @property
    def has_mounting(self) -> bool:
        return any(name.startswith("mount:") for name, _ in self.names)

    @property
    def mount(self) -> dict[str, Array]:
        return {n.partition(":")[2]: self.values[n] for n, _ in self.names if n.startswith("mount:")}

    @classmethod
    def of(cls, fitted: Fitted, *, handedness: Handedness, club: str | None = None) -> Calibration:
        """What a fit found that outlasts it. Raises CupbowError where the recording had no poses."""
        solution = fitted.solution
        guessed = solution is not None and any(h.name == "address" for w in solution.problem.windows for h in w.holds)
        if solution is None or not solution.state.mount or guessed:
            raise CupbowError("this recording has no poses to calibrate by; record them (hang, handshake …) first")
        problem = solution.problem
        names = tuple(
            (n, s.stop - s.start)
            for n, s in problem.lasting.place.items()
            if n != "lag" and not n.startswith(("clock:", "slipped:"))
        )
        values = solution.state.lasting()
        where = np.concatenate([np.arange(problem.lasting.size)[problem.lasting[n]] for n, _ in names])
        rows = np.eye(problem.lasting.size)
        last = int(np.argmax([w.start_s for w in problem.windows]))
        for segment in solution.state.mount:  # a strap sits where its last slip left it
            values[f"mount:{segment}"] = problem.mounted(solution.state, last, segment)
            role = problem.worn_by(segment)
            slip = problem.strapping[last].get(role)
            if slip is not None:
                at = problem.lasting[f"mount:{segment}"]
                rows[at, at] = problem.turn(solution.state, last, role)
                rows[at, problem.lasting[f"slipped:{slip}"]] = np.eye(3)
        return cls(
            handedness=handedness,
            roles=problem.roles,
            names=names,
            values=values,
            covariance=rows[where] @ solution.parts.covariance @ rows[where].T,
            face_known=fitted.face_known,
            own_flat=fitted.own_flat,
            via_grip=problem.hand_role == "club",
            missing=dict(fitted.missing),
            made_at=datetime.now(UTC).isoformat(timespec="seconds"),
            club=club,
        )

    def only(self, keep: Sequence[str]) -> Calibration:
        """The part that holds the unknowns named: values and marginal covariance."""
        kept = tuple((n, k) for n, k in self.names if n in keep)
        place = _places(self.names)
        where = np.concatenate([np.arange(place[n].start, place[n].stop) for n, _ in kept] or [np.empty(0, int)])
        return replace(
            self,
            names=kept,
            values={n: self.values[n] for n, _ in kept},
            covariance=self.covariance[np.ix_(where, where)],
        )

    def sensors_part(self) -> Calibration:
        """Without the mounting: what stays when the straps come off."""
        return self.only([n for n, _ in self.names if n.partition(":")[0] in SENSOR_UNKNOWNS])

    def by_the_grip(self) -> Calibration:
        """The hand in the club sensor's coordinates, by the grip: what a recording needs that lacks the
        hand sensor. Each swing's grip differs by some `Beliefs.regrip` from the one known."""
        names = [n for n, _ in self.names]
        if self.via_grip or not {"mount:hand", "mount:club", "grip"} <= set(names):
            return self
        place = _places(self.names)
        club = self.values["mount:club"]
        # exp(a) C exp(g) G = exp(a + C g) C G
        to_hand = np.eye(len(self.covariance))
        to_hand[place["mount:hand"]] = 0.0
        to_hand[place["mount:hand"], place["mount:club"]] = np.eye(3)
        to_hand[place["mount:hand"], place["grip"]] = club
        covariance = to_hand @ self.covariance @ to_hand.T
        covariance[place["mount:hand"], place["mount:hand"]] += np.eye(3) * Beliefs().regrip ** 2
        values = dict(self.values) | {"mount:hand": club @ self.values["grip"]}
        return replace(self, values=values, covariance=covariance, via_grip=True)

    def worn(self, roles: Sequence[Role]) -> Calibration:
        """What of it serves a recording of these sensors; without the hand's, the club stands in."""
        have = set(roles)
        if "hand" not in have and "club" in have and not self.via_grip and "grip" in self.values:
            return self.by_the_grip().worn(roles)

        def serves(name: str) -> bool:
            kind, _, part = name.partition(":")
            if kind == "grip":
                return {"hand", "club"} <= have
            if kind in ("slip", "coupling"):
                return "forearm" in have and ("hand" in have or (self.via_grip and "club" in have))
            if kind == "mount" and part == "hand" and self.via_grip:
                return "club" in have and "hand" not in have
            return part in have

        return self.only([n for n, _ in self.names if serves(n)])

    def knowledge(self) -> Knowledge:
        """As the fit takes it: wandered by what may have changed since."""
        wander = np.concatenate([np.full(k, _WANDER.get(n.partition(":")[0], 0.0)) for n, k in self.names])
        covariance = self.covariance + np.diag(wander**2)
        scale = 1.0 / np.sqrt(np.diag(covariance))
        information = np.linalg.inv(covariance * np.outer(scale, scale)) * np.outer(scale, scale)
        return Knowledge(self.names, dict(self.values), information)

    # ------------------------------------------------------------------------------------ on disk
    def save(self, path: Path | str) -> None:
        """Writes the file whole (JSON; rotations as quaternions w x y z, angles in rad)."""

        def plain(name: str) -> Any:
            value = self.values[name]
            if _is_rotation(name):
                return Rotation.from_matrix(value).as_quat(scalar_first=True).tolist()
            return np.asarray(value).tolist()

        document = {
            "schema": SCHEMA,
            "made_at": self.made_at,
            "handedness": self.handedness,
            "club": self.club,
            "roles": list(self.roles),
            "face_known": self.face_known,
            "own_flat": self.own_flat,
            "via_grip": self.via_grip,
            "missing": dict(self.missing or {}),
            "unknowns": {n: plain(n) for n, _ in self.names},
            "covariance": self.covariance.tolist(),
        }
        text = json.dumps(document) + "\n"
        write_whole(Path(path), lambda part: part.write_text(text, encoding="utf-8"))


def load_calibration(path: Path | str) -> Calibration:
    """Reads a saved calibration. Raises CupbowError, in one line, for what is not one."""
    path = Path(path)
    try:
        document = json.loads(path.read_text(encoding="utf-8"))
    except FileNotFoundError:
        raise CupbowError(f"{path}: no such calibration; make one with cupbow measure --keep-calibration") from None
    except (OSError, UnicodeDecodeError, json.JSONDecodeError) as error:
        raise CupbowError(f"{path}: cannot be read as a calibration ({type(error).__name__})") from None
    if not isinstance(document, dict) or document.get("schema") != SCHEMA:
        raise CupbowError(f"{path}: is no calibration (its schema is not {SCHEMA})")
    try:
        values: dict[str, Array] = {}
        names = []
        for name, plain in document["unknowns"].items():
            value = np.asarray(plain, float)
            if _is_rotation(name):
                value = Rotation.from_quat(value, scalar_first=True).as_matrix()
            kind = name.partition(":")[0]
            if value.shape != _SHAPES[kind]:
                raise ValueError(name)
            values[name] = value
            names.append((name, _SIZES[kind]))
        covariance = np.asarray(document["covariance"], float)
        n = sum(k for _, k in names)
        if covariance.shape != (n, n) or not np.isfinite(covariance).all() or np.any(np.diag(covariance) <= 0):
            raise ValueError("covariance")
        if document["handedness"] not in get_args(Handedness):
            raise ValueError("handedness")
        if not document["roles"] or not set(document["roles"]) <= set(get_args(Role)):
            raise ValueError("roles")
        return Calibration(
            handedness=document["handedness"],
            roles=tuple(document["roles"]),
            names=tuple(names),
            values=values,
            covariance=covariance,
            face_known=bool(document["face_known"]),
            own_flat=bool(document["own_flat"]),
            via_grip=bool(document["via_grip"]),
            missing={str(k): str(v) for k, v in document["missing"].items()},
            made_at=str(document["made_at"]),
            club=document.get("club"),
        )
    except (KeyError, TypeError, ValueError, AttributeError) as error:
        raise CupbowError(f"{path}: is damaged at {str(error)[:60]}; make the calibration again") from None


_SHAPES = {
    "matrix": (3, 3),
    "accel_bias": (3,),
    "accel_matrix": (3, 3),
    "bias": (3,),
    "mount": (3, 3),
    "grip": (3, 3),
    "slip": (1,),
    "coupling": (5,),
}
_SIZES = {"matrix": 9, "accel_bias": 3, "accel_matrix": 6, "bias": 3, "mount": 3, "grip": 3, "slip": 1, "coupling": 5}


def _is_rotation(name: str) -> bool:
    return name.partition(":")[0] in ("mount", "grip")


def _places(names: Sequence[tuple[str, int]]) -> dict[str, slice]:
    out, at = {}, 0
    for name, size in names:
        out[name] = slice(at, at + size)
        at += size
    return out


# ---------------------------------------------------------------------------------------- checks
def strapped_otherwise(before: Calibration, now: Calibration) -> list[str]:
    """What speaks against the straps sitting as they did: one line for each sensor that was turned
    on its segment by more than both calibrations allow (99.7 %). Poses are drawn anew each time, so a
    turn of some degrees is no evidence; the flat wrist of both stands in the covariances."""
    out = []
    for segment, then in before.mount.items():
        after = now.mount.get(segment)
        if after is None or (segment == "hand" and before.via_grip != now.via_grip):
            continue
        turn = Rotation.from_matrix(after @ then.T).as_rotvec()
        name = f"mount:{segment}"
        a, b = _places(before.names)[name], _places(now.names)[name]
        spread = before.covariance[a, a] + now.covariance[b, b]
        # chi-square of 3 degrees of freedom, 99.7 %
        if turn @ np.linalg.solve(spread, turn) > 13.9:
            out.append(sits_otherwise(segment, turn))
    return out


def sits_otherwise(role: str, turn: Array) -> str:
    """Said of a sensor that has turned on its segment by a rotation vector (3,), rad."""
    return (
        f"the {role} sensor sits {np.degrees(np.linalg.norm(turn)):.0f}° otherwise than in the saved "
        "calibration: its strap has slipped or was put on anew; hold the poses again"
    )
