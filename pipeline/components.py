"""What a run is made of, with versions, hashes and licences: the bill of materials (CycloneDX) and `docs/licences.md`.

`python -m pipeline.components` makes both from three files of the source: the lock of a run, the licences, and the
record of the pose models. The same files give the same bytes: no time and no random number stands in them.
"""

from __future__ import annotations

import re
import tomllib
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any
from urllib.parse import quote

from pipeline import __version__
from pipeline.config import config_dir
from pipeline.errors import ConfigError
from pipeline.models.build_models import MODELS_TOML
from pipeline.store import openable_path, write_json, write_text

LOCK_NAME, LICENCES_NAME, BILL_NAME = "runtime.txt", "licences.toml", "sbom.cdx.json"
PAGE = Path(__file__).parent / "docs" / "licences.md"
PINNED = re.compile(r"([a-z0-9-]+)==([^ ;]+)(?: ; ([^\\]+?))? \\")
HASH = re.compile(r"--hash=sha256:([0-9a-f]{64})")
# Open standard, https://cyclonedx.org, version 1.6; a test checks the file against its schema.
SPEC_VERSION = "1.6"
OWN = "strideledger"
# How registries are called in a package URL (https://github.com/package-url/purl-spec).
REGISTRIES = {"PyPI": "pypi", "npm": "npm"}
INTRO = """# Licences

What a run of Strideledger needs: the {count} packages of the lock `configs/install/runtime.txt`, pose models and fonts.
Made by `python -m pipeline.components` from `configs/install/licences.toml`, where a person wrote down what the
packages say of themselves; `configs/install/sbom.cdx.json` is the same as a bill of materials (CycloneDX {spec}), with
hashes. Strideledger itself is Apache-2.0. This page is no legal advice.

**Not permissive** (marked !): {flagged} They are libraries inside wheels, loaded at run time and exchangeable; nothing
of them is changed here. Who passes on an installed copy passes their licences on too.
"""


@dataclass(frozen=True, slots=True)
class Pinned:
    """One package of a lock: name, version, marker, hashes of every file of this version, and what needs it."""

    name: str
    version: str
    marker: str
    sha256: tuple[str, ...]
    needed_by: tuple[str, ...]


def read_lock(path: Path) -> tuple[Pinned, ...]:
    """Return the packages of a lock, in its order.

    Raises
    ------
    ConfigError
        A line is neither a package with a version, a hash, nor a comment; or a package has no hash.
    """
    found: list[Pinned] = []
    for number, line in enumerate(path.read_text(encoding="utf-8").splitlines(), start=1):
        text = line.strip()
        if pinned := PINNED.fullmatch(text):
            found.append(Pinned(pinned[1], pinned[2], pinned[3] or "", (), ()))
        elif (hashed := HASH.fullmatch(text.removesuffix(" \\"))) and found:
            found[-1] = _with(found[-1], sha256=(*found[-1].sha256, hashed[1]))
        elif text.startswith("#"):
            needs = text.removeprefix("#").strip().removeprefix("via").strip()
            if found and needs and line.startswith("    #"):
                found[-1] = _with(found[-1], needed_by=(*found[-1].needed_by, needs.split(" ")[0]))
        elif text:
            raise ConfigError(f"{path.name} line {number}", f"found {text!r}", "expected NAME==VERSION or a hash")
    without = [one.name for one in found if not one.sha256]
    if without or not found:
        raise ConfigError(path.name, f"no hash for {', '.join(without) or 'anything'}", "expected one for each package")
    return tuple(found)


def _with(one: Pinned, *, sha256: tuple[str, ...] = (), needed_by: tuple[str, ...] = ()) -> Pinned:
    """A package with more hashes, or more that need it."""
    return Pinned(one.name, one.version, one.marker, sha256 or one.sha256, needed_by or one.needed_by)


def read_licences(path: Path, lock: tuple[Pinned, ...]) -> dict[str, Any]:
    """Return the licences, which are those of exactly the packages of the lock.

    Raises
    ------
    ConfigError
        A package of the lock is missing in the file, or stands there and not in the lock.
    """
    read = tomllib.loads(path.read_text(encoding="utf-8"))
    wanted, written = {one.name for one in lock}, set(read["packages"])
    if wanted != written:
        found = [f"without a licence: {name}" for name in sorted(wanted - written)]
        found += [f"not in the lock any more: {name}" for name in sorted(written - wanted)]
        do = "Read the licence in the package's own files and write it down, or take the entry out."
        raise ConfigError(path.name, "; ".join(found), "expected the packages of the lock", do)
    return read


def is_permissive(expression: str, permissive: list[str]) -> bool:
    """Tell whether an SPDX expression allows use under permissive licences alone; `OR` leaves a choice."""
    return any(all(part.strip() in permissive for part in way.split(" AND ")) for way in expression.split(" OR "))


def bill_of_materials(
    lock: tuple[Pinned, ...], licences: Mapping[str, Any], models: Mapping[str, Any]
) -> dict[str, Any]:
    """Return the bill of materials as the standard's JSON has it."""
    needs: dict[str, list[str]] = {OWN: []}
    refs = {one.name: _purl("pypi", one.name, one.version) for one in lock}
    for one in lock:
        needs.setdefault(one.name, [])
        for other in one.needed_by:
            needs.setdefault(other, []).append(refs[one.name])
    bundles = [_bundle(name, models) for name in models["bundles"]]
    needs[OWN] += [bundle["bom-ref"] for bundle in bundles]
    own = _purl("pypi", OWN, __version__)
    return {
        "bomFormat": "CycloneDX",
        "specVersion": SPEC_VERSION,
        "version": 1,
        "metadata": {
            "component": {
                "type": "application",
                "bom-ref": own,
                "name": OWN,
                "version": __version__,
                "licenses": _licence("Apache-2.0"),
                "purl": own,
            },
            "properties": [
                {"name": "strideledger:hashes", "value": "of every file of the version; one of them is installed"},
                {"name": "strideledger:marker", "value": "the platforms on which a package is installed; else all"},
            ],
        },
        "components": [*(_package(one, licences) for one in lock), *bundles],
        "dependencies": [
            {"ref": {OWN: own, **refs}[name], **({"dependsOn": sorted(others)} if others else {})}
            for name, others in needs.items()
        ],
    }


def _package(one: Pinned, licences: Mapping[str, Any]) -> dict[str, Any]:
    """A package, with the libraries and fonts inside it."""
    entry, purl = licences["packages"][one.name], _purl("pypi", one.name, one.version)
    inside = [
        {
            "type": "library",
            "bom-ref": f"{purl}#{part['name']}",
            "name": part["name"],
            "licenses": _licence(part["licence"]),
        }
        for part in entry.get("bundled", ())
    ]
    inside += [
        {"type": "file", "bom-ref": f"{purl}#{quote(name)}", "name": name, "licenses": _licence(font["licence"])}
        for name, font in licences["fonts"].items()
        if font["inside"] == one.name
    ]
    return {
        "type": "library",
        "bom-ref": purl,
        "name": one.name,
        "version": one.version,
        "description": entry["purpose"],
        "hashes": [{"alg": "SHA-256", "content": sha256} for sha256 in one.sha256],
        "licenses": _licence(entry["licence"]),
        "purl": purl,
        **({"components": inside} if inside else {}),
        **({"properties": [{"name": "strideledger:marker", "value": one.marker}]} if one.marker else {}),
    }


def _bundle(name: str, models: Mapping[str, Any]) -> dict[str, Any]:
    """A pose model, with the published parts that it is made of."""
    bundle = models["bundles"][name]
    purl = f"pkg:generic/{bundle['file']}?checksum=sha256:{bundle['sha256']}"
    parts = []
    for part in (models["parts"][bundle["detector"]], models["parts"][bundle["landmarks"]]):
        registry = REGISTRIES[part["registry"]]
        source = f"{_purl(registry, part['package'], part['version'])}#{part['member']}"
        parts.append(
            {
                "type": "machine-learning-model",
                "bom-ref": f"{bundle['file']}:{part['member']}",
                "name": part["member"].rpartition("/")[2],
                "version": part["version"],
                "hashes": [{"alg": "SHA-256", "content": part["sha256"]}],
                "licenses": _licence("Apache-2.0"),
                "purl": source,
            }
        )
    return {
        "type": "machine-learning-model",
        "bom-ref": purl,
        "name": bundle["file"],
        "version": parts[1]["version"],
        "description": f"pose model, {name}; made of published parts (pipeline/models/PROVENANCE.md)",
        "hashes": [{"alg": "SHA-256", "content": bundle["sha256"]}],
        "licenses": _licence("Apache-2.0"),
        "purl": purl,
        "components": parts,
    }


def _purl(registry: str, name: str, version: str) -> str:
    """The package URL."""
    return f"pkg:{registry}/{quote(name)}@{version}"


def _licence(expression: str) -> list[dict[str, Any]]:
    """A licence as the standard's JSON has it."""
    is_one = " " not in expression
    return [{"license": {"id": expression}} if is_one else {"expression": expression}]


def licences_page(lock: tuple[Pinned, ...], licences: Mapping[str, Any], models: Mapping[str, Any]) -> str:
    """Return the page of licences."""
    rows = list(_rows(lock, licences, models))
    permissive = licences["permissive"]
    flagged: dict[str, str] = {name: licence for name, _, licence, _ in rows if not is_permissive(licence, permissive)}
    told = ", ".join(f"{name.rpartition(': ')[2]} ({licence})" for name, licence in flagged.items())
    told = ", ".join(dict.fromkeys(told.split(", "))) + "." if told else "none."
    lines = [INTRO.format(count=len(lock), spec=SPEC_VERSION, flagged=told)]
    lines += ["| what | version | licence | used for |", "|---|---|---|---|"]
    for name, version, licence, purpose in rows:
        mark = "" if name not in flagged else " !"
        lines.append(f"| {name} | {version} | {licence}{mark} | {purpose} |")
    return "\n".join(lines) + "\n"


def _rows(
    lock: tuple[Pinned, ...], licences: Mapping[str, Any], models: Mapping[str, Any]
) -> Iterator[tuple[str, str, str, str]]:
    """Name, version, licence and purpose of each package, what is inside it, and of models and fonts."""
    versions = {one.name: one.version for one in lock}
    for name, version in versions.items():
        entry = licences["packages"][name]
        yield name, version, entry["licence"], entry["purpose"]
        for part in entry.get("bundled", ()):
            yield f"{name}: {part['name']}", "inside", part["licence"], "library inside the wheel for Linux x86_64"
    for name, bundle in models["bundles"].items():
        version = models["parts"][bundle["landmarks"]]["version"]
        yield bundle["file"], version, "Apache-2.0", f"pose model, {name}"
    for name, font in licences["fonts"].items():
        yield f"font {name}", f"inside {font['inside']} {versions[font['inside']]}", font["licence"], font["purpose"]


def made() -> tuple[dict[str, Any], str]:
    """Return the bill of materials and the page, as the files of the source give them."""
    folder = config_dir() / "install"
    lock = read_lock(folder / LOCK_NAME)
    licences = read_licences(folder / LICENCES_NAME, lock)
    models = tomllib.loads(MODELS_TOML.read_text(encoding="utf-8"))
    return bill_of_materials(lock, licences, models), licences_page(lock, licences, models)


def main() -> None:
    """Write both and name them."""
    bill, page = made()
    write_json(config_dir() / "install" / BILL_NAME, bill)
    write_text(PAGE, page)
    for path in (config_dir() / "install" / BILL_NAME, PAGE):
        print(openable_path(path))


if __name__ == "__main__":
    main()
