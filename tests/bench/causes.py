"""Settings of the bench by name: each error alone, everything, and what an estimator may not count on."""

from __future__ import annotations

from dataclasses import dataclass, field, replace

from tests.bench.motion import Beliefs
from tests.bench.recording import Poses, Session
from tests.bench.sensors import Errors

NONE, FULL, HUNDRED = Errors.none(), Errors.full(), Errors.hundred()
WOBBLE = Beliefs(strap_wobble=1.0)


@dataclass(frozen=True, kw_only=True)
class Cause:
    """One row of the error table."""

    what: str
    errors: Errors = NONE
    session: Session = field(default_factory=Session)
    roles: tuple[str, ...] = ("forearm", "hand", "club")


def _with(beliefs: Beliefs, **changes: object) -> Session:
    return Session(beliefs=beliefs, **changes)  # type: ignore[arg-type]


def _full(
    what: str, *, roles: tuple[str, ...] = ("forearm", "hand", "club"), errors: Errors = FULL, **changes: object
) -> Cause:
    return Cause(what=what, errors=errors, session=_with(WOBBLE, **changes), roles=roles)


def _unshared(what: str, **belief: object) -> Cause:
    return Cause(what=what, errors=FULL, session=_with(replace(WOBBLE, **belief)))  # type: ignore[arg-type]


def _alone(what: str, **error: object) -> Cause:
    return Cause(what=what, errors=replace(NONE, **error))  # type: ignore[arg-type]


CAUSES: dict[str, Cause] = {
    "clean": Cause(what="perfect sensors at 200 Hz, mounted anyhow"),
    # one error alone
    "point_samples": _alone("samples are points, not averages", average=False),
    "rates": _alone("100, 200 and 400 Hz mixed", rates_hz=FULL.rates_hz),
    "rate_100": _alone("all sensors at 100 Hz", rates_hz=(100.0,)),
    "clocks": _alone("offset ±150 ms, drift ±50 ppm", offset_s=FULL.offset_s, drift_ppm=FULL.drift_ppm),
    "ticks": _alone("stamps in 1 ms ticks", stamps=("ticks",)),
    "batched": _alone("several samples share an arrival stamp", stamps=("batched",)),
    "arrival": _alone("jittered arrival stamps", stamps=("arrival",)),
    "loss": _alone("up to 5 % lost in bursts", loss=FULL.loss),
    "gyro_bias": _alone("gyro bias ±3 deg/s", gyro_bias_dps=FULL.gyro_bias_dps),
    "gyro_scale": _alone("gyro scale ±1 %", gyro_scale=FULL.gyro_scale),
    "gyro_cross": _alone("gyro cross-axis ±0.5 %", gyro_cross=FULL.gyro_cross),
    "gyro_drift": _alone("gyro bias drifts ±1.5 deg/s with temperature", gyro_drift_dps=1.5),
    "g_sensitivity": _alone("gyro feels acceleration, ±0.1 deg/s per g", g_sensitivity_dps=0.1),
    "accel_bias": _alone("accelerometer bias ±40 mg", accel_bias_mg=FULL.accel_bias_mg),
    "accel_scale": _alone("accelerometer scale ±1 %", accel_scale=FULL.accel_scale),
    "accel_cross": _alone("accelerometer cross-axis ±0.5 %", accel_cross=FULL.accel_cross),
    "noise": _alone(
        "noise and 16 bits", gyro_noise_dps=FULL.gyro_noise_dps, accel_noise_mg=FULL.accel_noise_mg, quantise=True
    ),
    "clipping": _alone("±2000 deg/s and ±16 g", gyro_range_dps=2000.0, accel_range_g=16.0),
    "clipping_first": _alone(
        "the converter clips before the average", gyro_range_dps=2000.0, accel_range_g=16.0, clip_first=True
    ),
    "strap_wobble": Cause(what="straps wobble after impact", session=_with(WOBBLE)),
    "axial_play": Cause(what="wrist has axial play of ±6°", session=_with(Beliefs(axial_play_deg=6.0))),
    "tilted_axes": Cause(what="wrist axes tilted by up to 12°", session=_with(Beliefs(tilted_axes=True))),
    "grip_slip": Cause(what="club slips in the hand by up to 3°", session=_with(Beliefs(grip_slip_deg=3.0))),
    "regrip": Cause(what="each swing has its own grip, ±2°", session=_with(Beliefs(regrip_deg=2.0))),
    "shaft_bend": Cause(what="shaft bends and twists", session=_with(Beliefs(shaft_bend=1.0))),
    "skin_slip": Cause(what="forearm sensor loses 30 % of the pronation", session=_with(Beliefs(skin_slip=0.3))),
    "strap_slips": Cause(
        what="forearm strap slips by 12° between two swings", session=_with(Beliefs(strap_slips_deg=12.0))
    ),
    # everything at once
    "full": _full("every sensor error"),
    "hundred": _full("every sensor error, 100 Hz, batched, 5 % lost", errors=HUNDRED),
    "full+gyro_drift": _full("and the bias drifts ±1.5 deg/s", errors=replace(FULL, gyro_drift_dps=1.5)),
    "full+g_sensitivity": _full("and gyros feel acceleration", errors=replace(FULL, g_sensitivity_dps=0.1)),
    "full+axial_play": _unshared("and the wrist has axial play", axial_play_deg=6.0),
    "full+tilted_axes": _unshared("and its axes are tilted", tilted_axes=True),
    "full+grip_slip": _unshared("and the grip slips", grip_slip_deg=3.0),
    "full+regrip": _unshared("and each swing has its own grip", regrip_deg=2.0),
    "full+shaft_bend": _unshared("and the shaft bends", shaft_bend=1.0),
    "full+skin_slip": _unshared("and the skin slips by 30 %", skin_slip=0.3),
    "full+turf": _unshared("and every club strikes the ground after the ball", turf=1.0),
    "full+strap_slips": _unshared("and the forearm strap slips", strap_slips_deg=12.0),
    "full+all_beliefs": Cause(
        what="and all of these in moderation",
        errors=replace(FULL, gyro_drift_dps=1.0, g_sensitivity_dps=0.05, clip_first=True),
        session=_with(
            replace(
                WOBBLE,
                axial_play_deg=3.0,
                tilted_axes=True,
                grip_slip_deg=1.5,
                regrip_deg=1.0,
                shaft_bend=1.0,
                skin_slip=0.15,
            )
        ),
    ),
    "players": Cause(
        what="every sensor error, and of all of these each player his own share",
        errors=replace(FULL, gyro_drift_dps=1.0, g_sensitivity_dps=0.05),
        session=_with(
            Beliefs(
                axial_play_deg=6.0,
                tilted_axes=True,
                grip_slip_deg=3.0,
                regrip_deg=2.0,
                shaft_bend=1.0,
                skin_slip=0.3,
                strap_wobble=1.5,
                turf=0.5,
                each_their_own=True,
            )
        ),
    ),
    # sensors and calibration that fall short
    "forearm+club": _full("no hand sensor", roles=("forearm", "club")),
    "forearm+hand": _full("no club sensor", roles=("forearm", "hand")),
    "hand+club": _full("no forearm sensor", roles=("hand", "club")),
    "club": _full("club sensor alone", roles=("club",)),
    "club_first": _full("the club's clock is the recording's", roles=("club", "forearm", "hand")),
    "hand_dies": _full("hand sensor dies half-way", errors=replace(FULL, hand_dies=True), n_swings=4),
    "no_functional": _full("poses only, no functional motions", poses=Poses(functional=False)),
    "unmarked": _full("poses held but not marked", poses=Poses.named("unmarked")),
    "no_poses": _full("no calibration at all", poses=Poses.named("none")),
    # other swings and lengths
    "partial": _full("partial swings", kinds=("partial",)),
    "slow": _full("slow rehearsals", kinds=("slow",)),
    "mixed": _full(
        "full, partial and slow, most with a ball", kinds=("full", "full", "partial", "slow"), ball=0.7, n_swings=6
    ),
    "no_ball": _full("full swings without a ball", ball=0.0),
    "minutes_10": _full("10 swings in 10 minutes", n_swings=10, minutes=10.0),
    "minutes_60": _full("60 swings in 60 minutes", n_swings=60, minutes=60.0),
    "idle_10": _full(
        "no swing: 10 minutes of walking, waggles, picking up, putting", n_swings=0, minutes=10.0, idle=True
    ),
    "idle_60": _full("no swing: an hour of it", n_swings=0, minutes=60.0, idle=True),
    "busy_10": _full("10 swings in 10 minutes among all of that", n_swings=10, minutes=10.0, idle=True),
}

GROUPS: dict[str, tuple[str, ...]] = {
    "alone": tuple(list(CAUSES)[: list(CAUSES).index("full")]),
    "unshared": ("full", *(c for c in CAUSES if c.startswith("full+"))),
    "short": (
        "full",
        "forearm+club",
        "forearm+hand",
        "hand+club",
        "club",
        "hand_dies",
        "no_functional",
        "unmarked",
        "no_poses",
    ),
    "swings": ("full", "partial", "slow", "mixed", "no_ball", "busy_10", "idle_10"),
    "all": tuple(c for c in CAUSES if not c.endswith("_60")),
}
