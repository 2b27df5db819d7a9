"""Limits as data: the shipped ones load, and every mistake in a clinic's own is told at once."""

from __future__ import annotations

import re
import shutil
from pathlib import Path

import pytest

from pipeline.config import config_dir
from pipeline.errors import ConfigError, ManyProblems
from pipeline.metrics import CATALOGUE
from pipeline.thresholds import load_limits, load_measurement_error


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """A clinic's own copy of the limits."""
    return Path(shutil.copytree(config_dir() / "checks", tmp_path / "limits"))


def edit(path: Path, old: str, new: str) -> None:
    """Replace text that must be there."""
    text = path.read_text(encoding="utf-8")
    assert old in text
    path.write_text(text.replace(old, new), encoding="utf-8")


def test_shipped_limits_load_in_their_order_with_urgent_first() -> None:
    limits = load_limits()
    assert limits.faults[0].name == "knee_instability" and limits.faults[0].urgent
    assert {check.fault for check in limits.checks} == {fault.name for fault in limits.faults}
    assert all(check.unit == CATALOGUE[check.metric].unit for check in limits.checks)


def test_a_changed_limit_needs_no_code_and_changes_the_hash(folder: Path) -> None:
    before = load_limits(folder)
    edit(folder / "vaulting.toml", "above = 1.5", "above = 2.5")
    after = load_limits(folder)
    assert next(check.limit for check in after.checks if check.id == "hip_vault_height_high") == 2.5
    assert before.sha256 != after.sha256


def test_all_mistakes_are_told_at_once(folder: Path) -> None:
    edit(folder / "vaulting.toml", 'unit = "% leg length"', 'unit = "cm"')
    edit(folder / "foot_rotation.toml", "foot_rotation_at_contact", "foot_rotation_at_contakt")
    edit(folder / "uneven_timing.toml", "below = 0.90", "below = 0.90\nabove = 1.0")
    edit(folder / "uneven_arm_swing.toml", 'standing = "provisional"', 'standing = "certain"')
    edit(folder / "terminal_impact.toml", "urgent = false", "urgant = false")
    edit(folder / "knee_instability.toml", 'source = "common', 'source = "comon')
    (folder / "medial_whip.toml").write_text("this is not TOML", encoding="utf-8")
    with pytest.raises(ManyProblems) as caught:
        load_limits(folder)
    text = str(caught.value)
    for line in (
        "limits/vaulting.toml: check 'hip_vault_height_high': unit 'cm'; metric hip_vault_height is in '% leg length'",
        "limits/foot_rotation.toml: check 'foot_rotation_external': metric 'foot_rotation_at_contakt' is unknown; "
        "did you mean 'foot_rotation_at_contact'?",
        "limits/uneven_timing.toml: check 'stance_time_short_prosthetic': needs exactly one of above and below",
        "limits/terminal_impact.toml: fault.urgent: missing",
        "limits/terminal_impact.toml: fault.urgant: 'urgant' is unknown; did you mean 'urgent'?",
        "limits/medial_whip.toml: not TOML",
        "source 'comon_practice_stance_flexion' is unknown; did you mean 'common_practice_stance_flexion'?",
        "limits/uneven_arm_swing.toml: check.0.standing: found 'certain'",
    ):
        assert line in text
    assert text.endswith("Correct these lines; nothing was judged.")


def test_a_mistake_of_form_hides_none_of_meaning(folder: Path) -> None:
    """Each check of the file has both; what was refused once is not told a second time."""
    vaulting = folder / "vaulting.toml"
    edit(vaulting, 'standing = "provisional"', 'standing = "guess"')
    edit(vaulting, 'unit = "% leg length"', 'unit = "cm"')
    edit(vaulting, "above = 1.5", 'above = "1.5"')
    edit(vaulting, 'curve = "', 'curve = "x')
    edit(vaulting, 'id = "hip_vault_height_high"', "id = 7")
    edit(folder / "wide_base.toml", 'view = "', 'view = "x')
    edit(folder / "wide_base.toml", 'metric = "foot_beside_hip"', 'metric = "foot_beside_hips"')
    edit(folder / "drop_off.toml", "[[check]]", "[check]")
    edit(folder / "hip_hiking.toml", 'metric = "pelvic_hike_difference"', 'metrik = "pelvic_hike_difference"')
    with pytest.raises(ManyProblems) as caught:
        load_limits(folder)
    lines = str(caught.value).splitlines()
    for start, end in (
        ("limits/vaulting.toml: check.0.id: found 7", ""),
        ("limits/vaulting.toml: check.0.above: found '1.5'", ""),
        ("limits/vaulting.toml: check.0.standing: found 'guess'", ""),
        ("limits/vaulting.toml: fault.curve: 'xhip_height_pct' is unknown", ""),
        ("limits/vaulting.toml: check.0: unit 'cm'", "metric hip_vault_height is in '% leg length'"),
        ("limits/wide_base.toml: fault.view: found", ""),
        ("limits/wide_base.toml: check 'foot_outside_hip': metric 'foot_beside_hips' is unknown", "'foot_beside_hip'?"),
        ("limits/hip_hiking.toml: check.0.metric: missing", ""),
    ):
        assert sum(start in line and line.endswith(end) for line in lines) == 1, (start, lines)
    assert not any("needs exactly one" in line for line in lines)
    assert any("limits/drop_off.toml: check: found" in line for line in lines)


def test_a_repeated_check_id_is_a_mistake(folder: Path) -> None:
    edit(folder / "lateral_whip.toml", 'id = "heel_whip_lateral"', 'id = "heel_whip_medial"')
    with pytest.raises(ManyProblems, match="check id 'heel_whip_medial' is used twice"):
        load_limits(folder)
    # Also while the file has another mistake: all are told at once.
    edit(folder / "lateral_whip.toml", "urgent = false", 'urgent = "no"')
    with pytest.raises(ManyProblems, match="check id 'heel_whip_medial' is used twice"):
        load_limits(folder)


@pytest.mark.parametrize("phase", ["[250.0, -40.0]", "[50.0, 50.0]", "[-1.0, 30.0]", "[10.0, 101.0]"])
def test_a_phase_lies_within_the_stride(folder: Path, phase: str) -> None:
    path = folder / "lateral_whip.toml"
    edit(path, re.search(r"phase_pct = .*", path.read_text(encoding="utf-8")).group(), f"phase_pct = {phase}")
    with pytest.raises(ManyProblems, match=r"fault.phase_pct: found .*; from 0 to 100 expected, the first the lower"):
        load_limits(folder)


def test_an_empty_folder_says_what_was_expected(tmp_path: Path) -> None:
    with pytest.raises(ConfigError) as caught:
        load_limits(tmp_path)
    assert "no limits found; at least one .toml file expected" in str(caught.value)


def test_measurement_error_is_tied_to_the_catalogue(tmp_path: Path) -> None:
    assert all(own.sd > 0 for own in load_measurement_error().values())
    own = tmp_path / "measurement_error.toml"
    entries = '[step_time]\nsd = -1\nunit = "s"\n[steptime]\nsd = 1\nunit = "s"\nstanding = ""\nnote = ""\n'
    own.write_text(entries, encoding="utf-8")
    with pytest.raises(ManyProblems) as caught:
        load_measurement_error(own)
    assert "step_time: sd: found -1; Input should be greater than or equal to 0" in str(caught.value)
    assert "step_time: standing: missing" in str(caught.value)
    assert "steptime: 'steptime' is unknown; did you mean 'step_time'?" in str(caught.value)


def test_steps_of_severity_must_follow_the_limit(folder: Path) -> None:
    edit(folder / "vaulting.toml", "clear = 3.5\nsevere = 6.0", "clear = 9.0\nsevere = 4.0")
    edit(folder / "medial_whip.toml", "clear = -5.0\nsevere = -8.0", "clear = 5.0\nsevere = 9.0")
    with pytest.raises(ManyProblems) as caught:
        load_limits(folder)
    for check in ("hip_vault_height_high", "heel_whip_medial"):
        assert f"check {check!r}: clear and severe must lie beyond the limit, severe beyond clear" in str(caught.value)


@pytest.mark.parametrize(
    ("place", "number", "told"),
    [
        ("above = 1.5", "nan", "check.0.above: found nan; Input should be a finite number"),
        ("above = 1.5", "inf", "check.0.above: found inf; Input should be a finite number"),
        ("above = 1.5", "true", "check.0.above: found True; Input should be a valid number"),
        ("above = 1.5", '"1.5"', "check.0.above: found '1.5'; Input should be a valid number"),
        ("clear = 3.5", "nan", "check.0.clear: found nan; Input should be a finite number"),
        ("severe = 6.0", "inf", "check.0.severe: found inf; Input should be a finite number"),
        ("phase_pct = [10.0, 50.0]", "[10.0, inf]", "fault.phase_pct.1: found inf; Input should be a finite number"),
        ("order = 20", "true", "fault.order: found True; Input should be a valid integer"),
    ],
)
def test_a_limit_is_a_finite_number(folder: Path, place: str, number: str, told: str) -> None:
    """`above = inf` would switch a limit off, `nan` make everybody borderline, `true` count as 1."""
    edit(folder / "vaulting.toml", place, f"{place.split(' = ')[0]} = {number}")
    with pytest.raises(ManyProblems, match=re.escape(f"limits/vaulting.toml: {told}")):
        load_limits(folder)


def test_speeds_of_a_limit_are_finite_numbers(folder: Path) -> None:
    edit(folder / "vaulting.toml", "above = 1.5", "above = 1.5\nspeed_legs = [0.5, inf]")
    with pytest.raises(ManyProblems, match=r"speed_legs.1: found inf; Input should be a finite number"):
        load_limits(folder)


def test_a_limit_may_be_a_whole_number(folder: Path) -> None:
    edit(folder / "vaulting.toml", "above = 1.5", "above = 2\nspeed_legs = [1, 2]")
    edit(folder / "vaulting.toml", "[10.0, 50.0]", "[10, 50]")
    limits = load_limits(folder)
    check = next(one for one in limits.checks if one.fault == "vaulting" and one.direction == "above")
    assert (check.limit, check.speed_legs) == (2.0, (1.0, 2.0))


def test_a_limit_is_for_the_limbs_that_its_metric_has_values_of(folder: Path) -> None:
    """Otherwise no visit could be judged: there is no value to compare."""
    arc = 'metric = "ankle_arc_in_swing"\nside = "prosthetic"'
    edit(folder / "circumduction.toml", arc, arc.replace("prosthetic", "both"))
    hike = 'metric = "pelvic_hike_difference"\nside = "both"'
    edit(folder / "hip_hiking.toml", hike, hike.replace("both", "prosthetic"))
    with pytest.raises(ManyProblems) as caught:
        load_limits(folder)
    text = str(caught.value)
    for line in (
        "side 'both'; metric ankle_arc_in_swing is of one limb: 'prosthetic' or 'sound' expected",
        "side 'prosthetic'; metric pelvic_hike_difference compares limbs: 'both' expected",
    ):
        assert line in text


def test_a_limit_may_hold_for_some_levels_aids_and_speeds(folder: Path) -> None:
    only = 'above = 1.5\nlevels = ["transfemoral"]\naids = ["none", "stick"]\nspeed_legs = [1.0, 2.0]'
    edit(folder / "vaulting.toml", "above = 1.5", only)
    check = next(one for one in load_limits(folder).checks if one.id == "hip_vault_height_high")
    assert (check.levels, check.aids, check.speed_legs) == (("transfemoral",), ("none", "stick"), (1.0, 2.0))
    edit(folder / "vaulting.toml", '"transfemoral"', '"above knee"')
    edit(folder / "vaulting.toml", "[1.0, 2.0]", "[2.0, 1.0]")
    with pytest.raises(ManyProblems) as caught:
        load_limits(folder)
    assert "check.0.levels.0: found 'above knee'; Input should be 'partial foot', 'ankle disarticulation'" in str(
        caught.value
    )


def test_every_fault_knows_the_hash_of_its_own_file(folder: Path) -> None:
    before = {fault.name: fault.file_sha256 for fault in load_limits(folder).faults}
    edit(folder / "vaulting.toml", "above = 1.5", "above = 1.6")
    after = {fault.name: fault.file_sha256 for fault in load_limits(folder).faults}
    assert {name for name in before if before[name] != after[name]} == {"vaulting"}
