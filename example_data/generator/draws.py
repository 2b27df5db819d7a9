"""One clip of the benchmark set, drawn from its seed and number: person, walk, camera, light, surroundings."""

from __future__ import annotations

import numpy as np

from .body import Look
from .clip import ClipSpec
from .conditions import FRAME_RATES_HZ, SIZES_PX, Bystander, Conditions
from .faults import Faults
from .light import LIGHTS
from .prosthesis import LIMBS
from .settings import WalkerSettings
from .wardrobe import LEGWEAR, SHIRTS, SHOES, SKINS, Dress

PARTS = ("tuning", "test")
# View and direction of the clips of one half, in turn: 60 % from the side, in both directions.
TURNS = (
    ("sagittal", False), ("anterior", False), ("sagittal", True), ("posterior", False), ("sagittal", False),
    ("sagittal", True), ("posterior", False), ("sagittal", False), ("anterior", False), ("sagittal", True),
)  # fmt: skip
HEIGHTS_M = {"man": (1.60, 1.95), "woman": (1.50, 1.80)}
SPEEDS_M_S = (0.6, 1.5)
# Faults of a prosthetic walk and the range of their sizes; the first four are drawn twice as often. Own choice.
FAULT_SIZES = {
    "vault_height_m": (0.025, 0.06), "stance_ratio": (0.78, 0.93), "arm_swing_ratio": (0.15, 0.7),
    "foot_rotation_deg": (12.0, 30.0), "knee_instability_deg": (8.0, 16.0), "medial_whip_deg": (5.0, 11.0),
    "circumduction_m": (0.05, 0.12), "lateral_bend_deg": (5.0, 10.0),
}  # fmt: skip
FAULT_WEIGHTS = (2, 2, 2, 2, 1, 1, 1, 1)
# A clip shows at least this many strides, else another one is drawn.
FEWEST_STRIDES = 2.5


def part_of(index: int) -> str:
    """Return the half, "tuning" or "test", to which a clip number belongs."""
    return PARTS[index % 2]


def draw_spec(seed: int, index: int, attempt: int) -> ClipSpec:
    """Return one draw, whether it can be walked or not.

    Raises
    ------
    ValueError
        If speed, cadence, body and camera do not fit together.
    """
    rng = np.random.default_rng([seed, index, attempt])
    view, leftward = TURNS[(index // 2) % len(TURNS)]
    look, dress = draw_person(rng, walker=True)
    spec = ClipSpec(
        look=look,
        settings=_draw_walk(rng, look),
        view=view,
        leftward=leftward,
        labels={"set_seed": str(seed), "set_index": str(index), "part": part_of(index), "subject": subject(index)},
        conditions=_draw_conditions(rng, view, dress),
    )
    _, _, way_m = spec.placement()
    n_strides = way_m / (2.0 * spec.settings.step_length_m)
    if n_strides < FEWEST_STRIDES:
        raise ValueError(
            f"clip set: the picture holds {n_strides:.1f} strides; at least {FEWEST_STRIDES} are expected. Draw again."
        )
    return spec


def subject(index: int) -> str:
    """Return the made-up person of a clip number."""
    return f"V{index + 1:03d}"


def draw_person(rng: np.random.Generator, *, walker: bool) -> tuple[Look, Dress]:
    """Draw body, limb and clothes; a bystander has sound legs."""
    build = pick(rng, ("man", "woman"))
    height_m = round(float(rng.uniform(*HEIGHTS_M[build])), 3)
    limb = pick(rng, ("sound", *LIMBS), (0.15, 0.29, 0.28, 0.28)) if walker else "sound"
    side = None if limb == "sound" else pick(rng, ("left", "right"))
    long = bool(rng.random() < 0.4) and limb in ("sound", "cover")
    dress = Dress(
        skin=pick(rng, tuple(SKINS)), shirt=pick(rng, tuple(SHIRTS)), legwear=pick(rng, tuple(LEGWEAR)),
        shoes=pick(rng, tuple(SHOES)), long_trousers=long, girth=round(float(rng.triangular(0.92, 1.0, 1.18)), 3),
    )  # fmt: skip
    return Look(build=build, height_m=height_m, limb=limb, prosthetic_side=side), dress


def _draw_walk(rng: np.random.Generator, look: Look) -> WalkerSettings:
    """Draw speed, a cadence that goes with it, and faults."""
    speed_m_s = float(rng.uniform(*SPEEDS_M_S))
    step_m = usual_step_m(look.height_m, speed_m_s) * rng.uniform(0.95, 1.05)
    faults: dict[str, float] = {}
    if look.prosthetic_side is not None and rng.random() > 0.4:
        weights = np.array(FAULT_WEIGHTS) / sum(FAULT_WEIGHTS)
        names = rng.choice(list(FAULT_SIZES), size=rng.integers(1, 4), replace=False, p=weights)
        faults = {str(name): round(float(rng.uniform(*FAULT_SIZES[name])), 3) for name in names}
    return WalkerSettings(
        speed_m_s=round(speed_m_s, 3),
        cadence_steps_min=round(60.0 * speed_m_s / float(step_m), 2),
        prosthetic_side=look.prosthetic_side,
        seed=int(rng.integers(2**31)),
        step_width_m=round(float(rng.uniform(0.08, 0.16)), 3),
        toe_out_deg=round(float(rng.uniform(2.0, 13.0)), 1),
        arm_swing_deg=round(float(rng.uniform(12.0, 26.0)), 1),
        faults=Faults(**faults),
    )


def usual_step_m(height_m: float, speed_m_s: float) -> float:
    """Step length of an adult. [m]

    Steps grow with body height and with a power of speed between 0.5 and 0.6: common practice, from memory.
    """
    return float(0.38 * height_m * (speed_m_s / 1.2) ** 0.55)


def _draw_conditions(rng: np.random.Generator, view: str, dress: Dress) -> Conditions:
    """Draw camera, light, film and surroundings."""
    light = pick(rng, tuple(LIGHTS), (0.4, 0.2, 0.2, 0.2))
    blurred = rng.random() < (0.8 if light == "dim" else 0.35)
    focal_share = round(float(rng.uniform(0.62, 1.1 if view == "sagittal" else 0.95)), 3)
    # In side view the width of the picture at the walk counts; in frontal views the walk must not reach the camera.
    distance_m = focal_share * rng.triangular(5.0, 7.0, 12.0) if view == "sagittal" else rng.uniform(4.6, 6.8)
    width_px, height_px = SIZES_PX[rng.choice(len(SIZES_PX), p=(0.2, 0.2, 0.4, 0.2))]
    return Conditions(
        frame_rate_hz=FRAME_RATES_HZ[rng.choice(len(FRAME_RATES_HZ), p=(0.2, 0.4, 0.15, 0.25))],
        width_px=width_px,
        height_px=height_px,
        distance_m=round(float(distance_m), 2),
        camera_height_m=round(float(rng.uniform(0.7, 1.6)), 2),
        yaw_deg=round(float(rng.triangular(-15.0, 0.0, 15.0)), 2),
        roll_deg=round(float(rng.triangular(-3.0, 0.0, 3.0)), 2),
        focal_share=focal_share,
        light=light,
        shutter_share=round(float(rng.uniform(0.2, 0.5)), 2) if blurred else 0.0,
        crf=int(rng.integers(18, 31)),
        occluder=pick(rng, ("none", "bars", "stick"), (0.6, 0.2, 0.2)),
        bystander=_draw_bystander(rng, view) if rng.random() < 0.35 else None,
        dress=dress,
    )


def _draw_bystander(rng: np.random.Generator, view: str) -> Bystander:
    """Draw a still person behind the walkway in side view, beside its far end in frontal views."""
    look, dress = draw_person(rng, walker=False)
    if view == "sagittal":
        place_m = (float(rng.uniform(-1.8, 1.8)), float(rng.uniform(1.0, 1.6)))
        facing_deg = float(rng.uniform(-150.0, -30.0))
    else:
        place_m = (float(rng.uniform(-4.5, -1.0)), float(rng.choice([-1.0, 1.0]) * rng.uniform(1.2, 1.7)))
        facing_deg = float(rng.uniform(-60.0, 60.0))
    return Bystander(
        posture=pick(rng, ("standing", "sitting")),
        place_m=(round(place_m[0], 2), round(place_m[1], 2)),
        facing_deg=round(facing_deg, 1),
        look=look,
        dress=dress,
    )


def pick(rng: np.random.Generator, names: tuple[str, ...], shares: tuple[float, ...] | None = None) -> str:
    """Draw one name."""
    return names[int(rng.choice(len(names), p=shares))]
