"""A golfer's lead side as a MuJoCo chain: shoulder, upper arm, forearm, hand, club, with sensors.

The bench prescribes joint angles, rates and accelerations; MuJoCo alone turns them into body
frames (`xquat`) and into what an accelerometer and a gyro at each sensor site feel
(`mj_rnePostConstraint`, sensors `accelerometer` and `gyro`). Nothing here is shared with the code
that measures.

World: x to the target, z up (the target frame of a square address), y = z × x. Segment bodies
carry the ISB axes as their body frames: X palmar, Y proximal, Z = X × Y. The club body carries
x = s (grip to head), y = n (face, loft taken out), z = s × n.

The right-handed golfer (left arm leads) is modelled; a left-handed one is its mirror image in the
plane y = 0. A mirror turns a body frame R into M R D with M = diag(1, -1, 1), D = diag(1, 1, -1);
in body coordinates places turn by D, and turning axes (axial vectors) by -D. Joint angles keep
their values.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Literal

import mujoco
import numpy as np
from numpy.typing import NDArray
from scipy.optimize import least_squares
from scipy.spatial.transform import Rotation

Array = NDArray[np.float64]

JOINTS = (
    # shoulder: place of the joint, heading of the whole player, plane of the arm, turn in that plane, out of it
    *("place_x", "place_y", "place_z", "yaw", "tilt", "swing", "out"),
    # upper arm about its own axis; elbow; forearm pronation
    *("humerus", "elbow", "pronation"),
    # wrist: axial play, flexion, ulnar deviation
    *("play", "flexion", "deviation"),
    # club in the hand: zero is the golfer's own grip
    *("grip_z", "grip_y", "grip_x"),
    # shaft: lead and droop above and below the sensor, twist
    *("lead_a", "droop_a", "lead_b", "droop_b", "twist"),
    # skin under the forearm sensor; straps of the three sensors
    "skin",
    *("strap_forearm_x", "strap_forearm_y", "strap_forearm_z"),
    *("strap_hand_x", "strap_hand_y", "strap_hand_z"),
    *("strap_club_x", "strap_club_y", "strap_club_z"),
)
J = {name: i for i, name in enumerate(JOINTS)}
BODIES = ("forearm", "hand", "club", "head")
SENSORS = ("forearm", "hand", "club")


@dataclass(frozen=True)
class Player:
    """One golfer: build, grip, posture. Lengths in m, angles in rad."""

    handedness: Literal["right", "left"]
    upper_arm: float
    forearm: float
    grip_reach: float  # wrist to the middle of the grip
    shoulder_height: float
    grip_bend: float  # between the distal axis of the hand and s, towards the thumb
    grip_palmar: float  # tilt of s towards the palm
    grip_strength: float  # turn of the hand about s against the face (+ strong)
    club_length: float  # hand to head
    lie: float  # of the shaft at address, above horizontal
    address_deviation: float  # of the wrist at address (ulnar +)
    tempo: float  # factor on the times of the backswing
    flexion_tilt: float = 0.0  # of the flexion axis, in the coronal and transverse planes
    deviation_tilt: float = 0.0
    roll_tilt: tuple[float, float] = (0.0, 0.0)  # of the pronation axis off the forearm's long axis, about x and z

    @property
    def mirror(self) -> float:
        return 1.0 if self.handedness == "right" else -1.0


def draw_player(rng: np.random.Generator, *, handedness: str, club: str, tilted_axes: bool = False) -> Player:
    """A golfer out of the spread of adults; `club` is a name in `CLUBS`."""
    length, lie = CLUBS[club]
    size = rng.uniform(0.9, 1.1)
    deg = np.pi / 180
    return Player(
        handedness=handedness,  # type: ignore[arg-type]
        upper_arm=0.30 * size,
        forearm=0.26 * size,
        grip_reach=0.085 * size,
        shoulder_height=1.38 * size,
        grip_bend=rng.uniform(42, 53) * deg,
        grip_palmar=rng.uniform(-6, 6) * deg,
        grip_strength=rng.uniform(-10, 28) * deg,
        club_length=length,
        lie=(lie + rng.uniform(-4, 2)) * deg,
        address_deviation=rng.uniform(12, 34) * deg,
        tempo=rng.uniform(0.9, 1.15),
        flexion_tilt=rng.uniform(-12, 12) * deg if tilted_axes else 0.0,
        deviation_tilt=rng.uniform(-12, 12) * deg if tilted_axes else 0.0,
    )


# m from the middle of the grip to the head; shaft above horizontal at address, deg (common practice, no source)
CLUBS = {
    "wedge": (0.76, 62.0),
    "9-iron": (0.78, 61.0),
    "7-iron": (0.82, 60.0),
    "5-iron": (0.85, 58.5),
    "hybrid": (0.88, 57.0),
    "3-wood": (0.96, 55.0),
    "driver": (1.01, 52.0),
}

_BASE = np.array([[-1.0, 0, 0], [0, 0, 1], [0, 1, 0]])  # arm hanging, thumb forward: segment axes in the world


def grip_frame(p: Player) -> Array:
    """Club axes (columns s, n, s × n) in the hand of the right-handed golfer (left hand: radial = -Z)."""
    s = np.array([np.sin(p.grip_palmar), -np.cos(p.grip_bend), -np.sin(p.grip_bend)])
    s[1:] *= np.cos(p.grip_palmar)
    dorsal = np.array([-1.0, 0, 0])
    n = dorsal - (dorsal @ s) * s
    n = Rotation.from_rotvec(-p.grip_strength * s).apply(n / np.linalg.norm(n))
    return np.column_stack([s, n, np.cross(s, n)])


def _xml(p: Player) -> str:
    m = p.mirror
    flip = np.diag([1.0, 1.0, m])  # D, or nothing

    def vec(v: Array | list[float]) -> str:
        return " ".join(f"{x:.17g}" for x in v)

    def place(x: float, y: float, z: float) -> str:  # in a body, given for the right-handed golfer
        return vec(flip @ [x, y, z])

    def axis(x: float, y: float, z: float) -> str:  # axial vector in a body
        return vec(m * flip @ [x, y, z])

    def world_axis(x: float, y: float, z: float) -> str:
        return vec(np.array([m * x, y, m * z]))

    def quat(matrix: Array) -> str:
        q = Rotation.from_matrix(flip @ matrix @ flip).as_quat(scalar_first=True)
        return vec(q)

    inertial = '<inertial pos="0 0 0" mass="1" diaginertia=".01 .01 .01"/>'
    pivot = 0.015  # m from the skin to the sensor: a strap lets it rock about the skin

    def sensor(name: str, x: float, y: float, z: float, out: tuple[float, float, float]) -> str:
        o = pivot * np.array(out)
        return f"""<body name="mount_{name}" pos="{place(x, y, z)}">{inertial}
          <joint name="strap_{name}_x" axis="{axis(1, 0, 0)}"/><joint name="strap_{name}_y" axis="{axis(0, 1, 0)}"/>
          <joint name="strap_{name}_z" axis="{axis(0, 0, 1)}"/><site name="{name}" pos="{place(*o)}"/></body>"""

    ft, dt = p.flexion_tilt, p.deviation_tilt
    rx, rz = np.tan(p.roll_tilt)
    base = Rotation.from_matrix(_BASE).as_quat(scalar_first=True)  # its own mirror image
    readings = "".join(f'<gyro site="{s}"/><accelerometer site="{s}"/>' for s in SENSORS)
    return f"""<mujoco>
  <compiler angle="radian" autolimits="true"/>
  <option gravity="0 0 -9.80665"/>
  <default><joint type="hinge" armature="1"/><geom contype="0" conaffinity="0"/></default>
  <worldbody>
   <body name="trunk" pos="{vec([0.12, m * 0.5, p.shoulder_height])}">{inertial}
    <joint name="place_x" type="slide" axis="1 0 0"/><joint name="place_y" type="slide" axis="0 {m:g} 0"/>
    <joint name="place_z" type="slide" axis="0 0 1"/>
    <joint name="yaw" axis="{world_axis(0, 0, 1)}"/>
   <body name="shoulder">{inertial}
    <joint name="tilt" axis="{world_axis(-1, 0, 0)}"/>
    <joint name="swing" axis="{world_axis(0, 1, 0)}"/><joint name="out" axis="{world_axis(-1, 0, 0)}"/>
    <body name="upper_arm" quat="{vec(base)}">{inertial}
     <joint name="humerus" axis="{axis(0, -1, 0)}"/>
     <body name="forearm" pos="0 {-p.upper_arm:.6f} 0">{inertial}
      <joint name="elbow" axis="{axis(1, 0, 0)}"/><joint name="pronation" axis="{axis(rz, -1, -rx)}"/>
      <body name="skin" pos="0 {-p.forearm:.6f} 0">{inertial}
       <joint name="skin" axis="{axis(0, -1, 0)}"/>{sensor("forearm", -0.025, 0.05, 0, (-1, 0, 0))}
      </body>
      <body name="hand" pos="0 {-p.forearm:.6f} 0">{inertial}
       <joint name="play" axis="{axis(0, -1, 0)}"/>
       <joint name="flexion" axis="{axis(np.sin(ft), np.sin(ft) * 0.5, np.cos(ft))}"/>
       <joint name="deviation" axis="{axis(-np.cos(dt), -np.sin(dt) * 0.5, np.sin(dt))}"/>
       {sensor("hand", -0.02, -0.055, 0, (-1, 0, 0))}
       <body name="club" pos="{place(0.02, -p.grip_reach, 0)}" quat="{quat(grip_frame(p))}">{inertial}
        <joint name="grip_z" axis="{axis(0, 0, 1)}"/><joint name="grip_y" axis="{axis(0, 1, 0)}"/>
        <joint name="grip_x" axis="{axis(1, 0, 0)}"/>
        <body name="shaft" pos="0.15 0 0">{inertial}
         <joint name="lead_a" axis="{axis(0, 0, 1)}"/><joint name="droop_a" axis="{axis(0, 1, 0)}"/>
         {sensor("club", 0.03, 0, 0, (0, 0, 1))}
         <body name="tip" pos="0.25 0 0">{inertial}
          <joint name="lead_b" axis="{axis(0, 0, 1)}"/><joint name="droop_b" axis="{axis(0, 1, 0)}"/>
          <joint name="twist" axis="{axis(1, 0, 0)}"/>
          <body name="head" pos="{p.club_length - 0.4:.6f} 0 0">{inertial}<site name="head"/></body>
         </body>
        </body>
       </body>
      </body>
     </body>
    </body>
   </body>
   </body>
  </worldbody>
  <sensor>{readings}</sensor>
</mujoco>"""


@dataclass(frozen=True, eq=False)
class Rendered:
    """What MuJoCo says of a motion. Times in s; segment frames as scalar-first quaternions of the
    body in the world; sensors in the axes of their segment at rest, rad/s and m/s^2."""

    t: Array  # (n,)
    q: dict[str, Array]  # body -> (n, 4)
    gyro: dict[str, Array]  # sensor -> (n, 3)
    accel: dict[str, Array]  # sensor -> (n, 3)
    place: dict[str, Array]  # "grip", "head" -> (n, 3) m

    @classmethod
    def joined(cls, parts: list[Rendered]) -> Rendered:
        def together(name: str) -> dict[str, Array]:
            first = getattr(parts[0], name)
            return {key: np.concatenate([getattr(p, name)[key] for p in parts]) for key in first}

        t = np.concatenate([p.t for p in parts])
        return cls(t, together("q"), together("gyro"), together("accel"), together("place"))


class Chain:
    """The model of one player, ready to be posed and rendered."""

    def __init__(self, player: Player) -> None:
        self.player = player
        self.model = mujoco.MjModel.from_xml_string(_xml(player))
        self.data = mujoco.MjData(self.model)
        names = [self.model.joint(i).name for i in range(self.model.njnt)]
        self.order = np.array([J[n] for n in names])  # place in JOINTS of each joint of the model
        self._bodies = [self.model.body(b).id for b in BODIES]
        self._head = self.model.site("head").id

    def pose(self, posture: dict[str, float]) -> dict[str, Array]:
        """Body frames (matrices) of a posture; joints not named are at zero."""
        q = np.zeros(len(JOINTS))
        for name, value in posture.items():
            q[J[name]] = value
        self.data.qpos[:] = q[self.order]
        mujoco.mj_kinematics(self.model, self.data)
        return {b: self.data.xmat[i].reshape(3, 3).copy() for b, i in zip(BODIES, self._bodies, strict=True)}

    def head_speed(self, posture: dict[str, float], rates: dict[str, float]) -> float:
        """Speed of the clubhead in m/s for joint rates in rad/s."""
        self.pose(posture)
        v = np.zeros(len(JOINTS))
        for name, value in rates.items():
            v[J[name]] = value
        mujoco.mj_comPos(self.model, self.data)
        jacobian = np.zeros((3, self.model.nv))
        mujoco.mj_jacSite(self.model, self.data, jacobian, None, self._head)
        return float(np.linalg.norm(jacobian @ v[self.order]))

    def club_in_hand(self, posture: dict[str, float], club: Array) -> dict[str, float]:
        """The grip angles that give the club the frame `club` (3×3, in the world) in this posture."""
        free = {k: v for k, v in posture.items() if not k.startswith("grip_")}
        own = self.pose(free)["club"]
        z, y, x = Rotation.from_matrix(own.T @ club).as_euler("ZYX")
        m = self.player.mirror
        return {"grip_z": float(z), "grip_y": float(m * y), "grip_x": float(m * x)}

    def solve(
        self,
        posture: dict[str, float],
        unknown: dict[str, float],
        residual: Callable[[dict[str, Array]], list[float]],
    ) -> dict[str, float]:
        """Change the `unknown` joints (name -> first guess) until `residual(frames)` vanishes."""
        names = list(unknown)

        def cost(x: Array) -> Array:
            return np.asarray(residual(self.pose({**posture, **dict(zip(names, x, strict=True))})), float)

        found = least_squares(cost, list(unknown.values()))
        return {**posture, **{n: float(x) for n, x in zip(names, found.x, strict=True)}}

    def render(self, t: Array, q: Array, v: Array, a: Array) -> Rendered:
        """Frames and sensor readings at times `t` (n,) for joints q, v, a, each (n, len(JOINTS))."""
        n = len(t)
        model, data, order = self.model, self.data, self.order
        q, v, a = (np.ascontiguousarray(x[:, order]) for x in (q, v, a))
        frames = np.empty((n, len(BODIES), 4))
        readings = np.empty((n, model.nsensordata))
        places = np.empty((n, 2, 3))
        qpos, qvel, qacc, xquat, sensordata = data.qpos, data.qvel, data.qacc, data.xquat, data.sensordata
        club, head, bodies = self._bodies[2], self._bodies[3], self._bodies
        kinematics, com_pos, com_vel = mujoco.mj_kinematics, mujoco.mj_comPos, mujoco.mj_comVel
        rne, velocity, acceleration = mujoco.mj_rnePostConstraint, mujoco.mj_sensorVel, mujoco.mj_sensorAcc
        xpos = data.xpos
        for i in range(n):
            qpos[:] = q[i]
            qvel[:] = v[i]
            qacc[:] = a[i]
            kinematics(model, data)
            com_pos(model, data)
            com_vel(model, data)
            velocity(model, data)
            rne(model, data)
            acceleration(model, data)
            frames[i] = xquat[bodies]
            places[i, 0] = xpos[club]
            places[i, 1] = xpos[head]
            readings[i] = sensordata
        r = readings.reshape(n, len(SENSORS), 2, 3)
        return Rendered(
            t=t,
            q={b: frames[:, i] for i, b in enumerate(BODIES)},
            gyro={s: r[:, i, 0] for i, s in enumerate(SENSORS)},
            accel={s: r[:, i, 1] for i, s in enumerate(SENSORS)},
            place={"grip": places[:, 0], "head": places[:, 1]},
        )
