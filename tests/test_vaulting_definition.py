"""Vaulting by its published definition: plantarflexion of the contralateral ankle in single support.

Source: Drevelle and others, Clin Biomech 2014;29:679-83 (READ): the definition; its ankle power needs a force plate. So
a hip that climbs by the same amount over a longer leg, its heel on the floor, is no vault: hip height alone cannot tell
the two apart, heel and ankle can, and the page says so.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import pytest

from pipeline.model import LandmarkTrack
from pipeline.thresholds import load_limits
from tests.generated_walk import filmed
from tests.judged_walk import Judged, judged, measured
from tests.walker import INDEX

SOUND, PROSTHETIC = "left", "right"
RISE_M = 0.05
# The generator's side camera: 880 px of focal length at 4.75 m.
RISE_PX = RISE_M * 880.0 / 4.75
# In percent of a leg of 0.491 of 1.74 m.
RISE_PCT = 100 * RISE_M / (0.491 * 1.74)


@dataclass(frozen=True)
class Vaults:
    """The same person even, rising on the sound toes, and carried over a longer sound leg."""

    even: Judged
    on_the_toes: Judged
    long_leg: Judged


@pytest.fixture(scope="module")
def vaults() -> Vaults:
    from generator.walker import Faults, WalkerSettings

    even, toes, long_leg = [], [], []
    for leftward in (False, True):
        normal = WalkerSettings(prosthetic_side=PROSTHETIC, seed=4)
        track, truth = filmed(normal, leftward=leftward)
        swings = _swings([(event.kind, event.time_s) for event in truth.events if event.side == PROSTHETIC])
        vaulting = replace(normal, faults=Faults(vault_height_m=RISE_M))
        name = f"way{leftward}"
        even.append(measured(track, name=name))
        toes.append(measured(filmed(vaulting, leftward=leftward)[0], name=name))
        long_leg.append(measured(_over_a_longer_leg(track, swings), name=name))
    return Vaults(*(judged(clips, (PROSTHETIC,)) for clips in (even, toes, long_leg)))


def _swings(events: list[tuple[str, float]]) -> list[tuple[float, float]]:
    """Toe-off and contact of each prosthetic swing. [s]"""
    contacts = [time_s for kind, time_s in events if kind == "contact"]
    toe_offs = [time_s for kind, time_s in events if kind == "toe_off"]
    return [(start_s, min(c for c in contacts if c > start_s)) for start_s in toe_offs if start_s < contacts[-1]]


def _over_a_longer_leg(track: LandmarkTrack, swings: list[tuple[float, float]]) -> LandmarkTrack:
    """The body raised in each prosthetic swing, the sound knee half as much, the sound foot not at all."""
    rise_px = np.zeros(len(track.time_s))
    for start_s, end_s in swings:
        inside = (track.time_s >= start_s) & (track.time_s <= end_s)
        rise_px[inside] = RISE_PX * np.sin(np.pi * (track.time_s[inside] - start_s) / (end_s - start_s)) ** 2
    share = np.ones(track.xy_px.shape[1])
    share[INDEX[f"{SOUND}_knee"]] = 0.5
    share[[INDEX[f"{SOUND}_{part}"] for part in ("ankle", "heel", "foot_index")]] = 0.0
    xy_px = track.xy_px.copy()
    xy_px[:, :, 1] -= share * rise_px[:, None]
    return replace(track, xy_px=xy_px)


def test_an_even_walk_is_no_vault(vaults: Vaults) -> None:
    assert vaults.even.faults["vaulting"].verdict == "not seen"
    assert vaults.even.value("heel_rise_in_single_support", SOUND) < 1.0


def test_rising_on_the_sound_toes_is_a_vault(vaults: Vaults) -> None:
    """By construction 5 cm, 5.9 % of the leg: hips and heel climb and the ankle points down as the prosthesis swings.

    By hand: an ankle 0.15 leg lengths behind the ball rises by 5.9 % when the foot tips by 23 deg; the heel, 0.06
    further back, then rises by 8 %. The shank leans forward by some of the 23 deg: more than 5 are left to the ankle.
    """
    found = vaults.on_the_toes
    fault = found.faults["vaulting"]
    assert fault.verdict == "present" and fault.side == SOUND
    assert found.value("hip_vault_height", SOUND) == pytest.approx(RISE_PCT, abs=1.0)
    assert found.value("heel_rise_in_single_support", SOUND) > RISE_PCT
    assert found.value("heel_rise_in_single_support", PROSTHETIC) < 1.0
    points_down = found.value("plantarflexion_in_single_support", SOUND)
    assert points_down > vaults.even.value("plantarflexion_in_single_support", SOUND) + 5.0


def test_the_same_rise_over_a_longer_leg_is_told_by_heel_and_ankle_and_not_by_the_verdict(vaults: Vaults) -> None:
    """Hips read alike; the heel stays down and the ankle does not point down.

    By the definition this is no vault. The verdict rests on the hips alone and says `present`: a known limit, which
    the report tells beside it.
    """
    found = vaults.long_leg
    assert found.value("hip_vault_height", SOUND) == pytest.approx(
        vaults.on_the_toes.value("hip_vault_height", SOUND), abs=1.0
    )
    assert found.value("heel_rise_in_single_support", SOUND) < 1.0
    assert found.value("plantarflexion_in_single_support", SOUND) == pytest.approx(
        vaults.even.value("plantarflexion_in_single_support", SOUND), abs=2.0
    )
    fault = found.faults["vaulting"]
    assert fault.verdict == "present"
    assert {finding.metric for finding in fault.findings} == {"hip_vault_height"}


def test_the_page_says_what_hips_alone_cannot_tell() -> None:
    vaulting = next(fault for fault in load_limits().faults if fault.name == "vaulting")
    assert "heel" in vaulting.cannot_tell.lower()
