"""Lock, bill of materials and licences: they agree with each other, with pyproject.toml and with what is installed."""

from __future__ import annotations

import json
import re
import tomllib
from importlib.metadata import PackageNotFoundError, metadata
from pathlib import Path
from typing import Any

import pytest
from cyclonedx.schema import SchemaVersion
from cyclonedx.validation.json import JsonStrictValidator
from packaging.markers import Marker
from packaging.requirements import Requirement
from packaging.utils import canonicalize_name

from pipeline.components import BILL_NAME, LOCK_NAME, PAGE, Pinned, is_permissive, made, read_licences, read_lock
from pipeline.config import config_dir
from pipeline.errors import ConfigError
from pipeline.models import model_names, verify_model
from pipeline.store import file_sha256, write_json

ROOT = Path(__file__).parents[1]
INSTALL = config_dir() / "install"
LOCKS = (LOCK_NAME, "build.txt", "dev.txt")
PROJECT: dict[str, Any] = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))
EXTRAS: dict[str, list[str]] = PROJECT["project"]["optional-dependencies"]
MAKE_AGAIN = "make it again: python -m pipeline.components"
# Where wheels of every package were installed and tried; the lock covers others by its markers.
LINUX = {
    "sys_platform": "linux",
    "platform_system": "Linux",
    "platform_machine": "x86_64",
    "os_name": "posix",
    "implementation_name": "cpython",
    "platform_python_implementation": "CPython",
    "python_version": "3.11",
    "python_full_version": "3.11.7",
}


def lock(name: str) -> tuple[Pinned, ...]:
    return read_lock(INSTALL / name)


def bill() -> dict[str, Any]:
    read: dict[str, Any] = json.loads((INSTALL / BILL_NAME).read_text(encoding="utf-8"))
    return read


def wanted(lines: list[str]) -> list[Requirement]:
    """Requirements, those of the project's own extras put in their place."""
    found = []
    for line in lines:
        one = Requirement(line)
        found += (
            wanted([part for extra in one.extras for part in EXTRAS[extra]]) if one.name == "strideledger" else [one]
        )
    return found


@pytest.mark.parametrize(
    ("name", "lines"),
    [
        (LOCK_NAME, PROJECT["project"]["dependencies"]),
        ("dev.txt", [*PROJECT["project"]["dependencies"], *EXTRAS["dev"]]),
        # Hatchling asks for editables where a package is installed to be edited, as contributors do.
        ("build.txt", [*PROJECT["build-system"]["requires"], "editables"]),
    ],
)
def test_a_lock_satisfies_what_the_project_requires(name: str, lines: list[str]) -> None:
    versions = {one.name: one.version for one in lock(name)}
    for one in wanted(lines):
        assert one.specifier.contains(versions[canonicalize_name(one.name)]), f"{name}: {one}"


@pytest.mark.parametrize("name", LOCKS)
def test_every_package_of_a_lock_has_its_version_and_hashes_and_no_address(name: str) -> None:
    text = (INSTALL / name).read_text(encoding="utf-8")
    packages = lock(name)
    assert re.search(r"://|index|find-links|trusted|@", text) is None
    assert len(packages) == len({one.name for one in packages}) == len(re.findall(r"^[a-z0-9]", text, re.MULTILINE))
    assert sum(len(one.sha256) for one in packages) == text.count("--hash=")
    here = [one for one in packages if not one.marker or Marker(one.marker).evaluate(LINUX)]
    assert {one.name for one in packages} - {one.name for one in here} <= {"colorama", "appnope"}


def test_the_locks_agree() -> None:
    tested = {one.name: one for one in lock("dev.txt")}
    for one in (*lock(LOCK_NAME), *lock("build.txt")):
        if one.name in tested:
            assert (one.version, one.sha256) == (tested[one.name].version, tested[one.name].sha256), one.name
    assert {one.name for one in lock(LOCK_NAME)} <= set(tested)


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("numpy==2.0 \\\n", "no hash for numpy"),
        ("numpy>=2.0\n", "found 'numpy>=2.0'"),
        ("", "no hash for anything"),
        ("--index-url somewhere\n", "expected NAME==VERSION"),
    ],
)
def test_a_lock_that_pins_nothing_is_refused(text: str, message: str, tmp_path: Path) -> None:
    (tmp_path / "lock.txt").write_text(text)
    with pytest.raises(ConfigError, match=message):
        read_lock(tmp_path / "lock.txt")


def test_bill_and_page_are_those_that_the_source_gives(tmp_path: Path) -> None:
    made_bill, made_page = made()
    write_json(tmp_path / BILL_NAME, made_bill)
    assert (tmp_path / BILL_NAME).read_bytes() == (INSTALL / BILL_NAME).read_bytes(), MAKE_AGAIN
    assert PAGE.read_text(encoding="utf-8") == made_page, MAKE_AGAIN
    assert made() == (made_bill, made_page)
    assert not {"serialNumber", "timestamp"} & {*made_bill, *made_bill["metadata"]}


def test_the_bill_keeps_the_standard() -> None:
    """The schema of CycloneDX 1.6, as the standard's own library holds it; licences are checked against SPDX's list."""
    text = (INSTALL / BILL_NAME).read_text(encoding="utf-8")
    assert JsonStrictValidator(SchemaVersion.V1_6).validate_str(text) is None
    broken = json.loads(text)
    broken["components"][0]["licenses"] = [{"license": {"id": "no such licence"}}]
    assert JsonStrictValidator(SchemaVersion.V1_6).validate_str(json.dumps(broken)) is not None


def test_the_bill_agrees_with_the_lock_and_the_models() -> None:
    components = {one["name"]: one for one in bill()["components"]}
    for one in lock(LOCK_NAME):
        found = components.pop(one.name)
        assert (found["version"], found["purl"]) == (one.version, f"pkg:pypi/{one.name}@{one.version}")
        assert tuple(entry["content"] for entry in found["hashes"]) == one.sha256
    models = [verify_model(name) for name in model_names()]
    assert set(components) == {model.path.name for model in models}
    for model in models:
        assert components[model.path.name]["hashes"] == [{"alg": "SHA-256", "content": file_sha256(model.path)}]
        assert len(components[model.path.name]["components"]) == 2


def test_every_component_of_the_bill_is_needed_by_something() -> None:
    read = bill()
    own = read["metadata"]["component"]["bom-ref"]
    needs = {one["ref"]: one.get("dependsOn", []) for one in read["dependencies"]}
    reached, todo = set(), [own]
    while todo:
        ref = todo.pop()
        if ref not in reached:
            reached.add(ref)
            todo += needs.get(ref, [])
    assert reached - {own} == {one["bom-ref"] for one in read["components"]}


def test_what_packages_say_of_their_licence_is_what_is_written_down() -> None:
    packages = lock(LOCK_NAME)
    licences = read_licences(INSTALL / "licences.toml", packages)["packages"]
    compared = 0
    for one in packages:
        try:
            said = metadata(one.name)
        except PackageNotFoundError:
            continue
        if said["Version"] == one.version and (expression := said.get("License-Expression")):
            assert licences[one.name]["licence"] == expression, one.name
            compared += 1
    # In the versions of the lock 20 packages give an expression; newer ones than these may be installed.
    assert compared > 0 or any(metadata("numpy")["Version"] != one.version for one in packages if one.name == "numpy")


@pytest.mark.parametrize(
    ("expression", "permissive"),
    [
        ("MIT", True),
        ("MIT AND Zlib", True),
        ("GPL-3.0-only OR MIT", True),
        ("MIT AND GPL-3.0-only", False),
        ("LGPL-2.1-or-later", False),
        ("GPL-3.0-or-later WITH GCC-exception-3.1", False),
    ],
)
def test_a_licence_with_copyleft_is_flagged(expression: str, permissive: bool) -> None:
    assert is_permissive(expression, ["MIT", "Zlib"]) == permissive


def test_the_page_flags_what_is_not_permissive() -> None:
    text = PAGE.read_text(encoding="utf-8")
    flagged = re.findall(r"^\| (\S+): (\S+) \|.* ! \|", text, re.MULTILINE)
    assert ("opencv-python-headless", "FFmpeg") in flagged and len(flagged) == text.count(" ! |")
    for name in ("pose_heavy.task", "font Libertinus Serif", "font DejaVu Sans"):
        assert f"| {name} |" in text


def test_a_package_without_a_licence_is_told(tmp_path: Path) -> None:
    (tmp_path / "licences.toml").write_text("[packages]\nold = { licence = 'MIT' }\n")
    with pytest.raises(ConfigError) as caught:
        read_licences(tmp_path / "licences.toml", (Pinned("new", "1", "", ("0",), ()),))
    assert "without a licence: new; not in the lock any more: old" in str(caught.value)
