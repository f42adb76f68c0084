"""The entry types, version 1: one record each, in the file of its subject.

A new type is written here and nowhere else: its marshmallow schema, its OpenAPI component, its stored form and
the subjects it names are derived from the hints. The name that `entry_type` gives is what the log stores; it
outlives every class name. A trailing underscore keeps a member's name clear of Python's words (`from_` is `from`).
An entry is the same when its text is.
"""

# The order in which the types are told
# isort: off
from service_api.domain.entries import places
from service_api.domain.entries import meters
from service_api.domain.entries import complaints
from service_api.domain.entries import jobs
from service_api.domain.entries import parts
from service_api.domain.entries import releases
from service_api.domain.entries import gauges
from service_api.domain.entries import issued
from service_api.domain.entries import claims
from service_api.domain.entries import corrections

__all__ = (
    "claims",
    "complaints",
    "corrections",
    "gauges",
    "issued",
    "jobs",
    "meters",
    "parts",
    "places",
    "releases",
)
