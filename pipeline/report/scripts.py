"""The scripts of the pages, each allowed by its hash and nothing else."""

from __future__ import annotations

import base64
import hashlib
from importlib.resources import files


def page_script(name: str) -> tuple[str, str]:
    """Return a script of the assets, and what a page's content security policy has to add for it.

    Parameters
    ----------
    name : str
        File name among the assets.

    Notes
    -----
    Content Security Policy Level 3, 2.3.1 (from memory): `script-src` with the SHA-256 of the text in base64.
    """
    script = (files(__package__) / "assets" / name).read_text(encoding="utf-8")
    digest = base64.b64encode(hashlib.sha256(script.encode("utf-8")).digest()).decode("ascii")
    return script, f"; script-src 'sha256-{digest}'"
