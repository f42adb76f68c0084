"""A unit's dossier on paper: who it is, all that was written of it, what follows, and what it can be held against."""

import base64
from typing import Any

from service_api.paper.dossier.cover import cover, identity
from service_api.paper.dossier.index import Index
from service_api.paper.dossier.measured import measurements
from service_api.paper.dossier.parts import parts
from service_api.paper.dossier.proof import proof
from service_api.paper.dossier.runs import runs
from service_api.paper.dossier.timeline import certificates, corrections, timeline
from service_api.paper.layout import Paper


def draw(found: dict[str, Any]) -> bytes:
    """The dossier as PDF, A4. found : as `dossiers.gather` gives it"""
    unit, origin, size = found["unit"], found["origin"], found["as_of"]["known_index"]
    root = base64.b64decode(found["checkpoint"].split("\n")[2]).hex()
    paper = Paper(
        f"Dossier of {unit}",
        (f"Unit dossier {unit}", origin),
        f"Book {origin}, first {size} entries, root {root[:16]}…",
        f"The first {size} entries of {origin}",
    )
    index = Index(found["entries"])
    cover(paper, found, root)
    identity(paper, found)
    timeline(paper, found, index)
    measurements(paper, found, index)
    parts(paper, found, index)
    runs(paper, found, index)
    corrections(paper, found, index)
    certificates(paper, found, index)
    proof(paper, found, root)
    return paper.finish()
