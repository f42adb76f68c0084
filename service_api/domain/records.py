"""Records: frozen dataclasses of hints alone, made and changed without their `__init__`.

A state is stepped several times in every append; `__init__` and `dataclasses.replace` of a frozen dataclass set each
field through `object.__setattr__`, which costs ten times the copying of a dictionary. A record must not define
`__slots__`, `__post_init__` or fields without `init`.
"""

import dataclasses
from collections.abc import Callable
from functools import cache
from typing import Any, TypeVar

R = TypeVar("R")


ASIDE = "_aside"  # what somebody keeps with a record beside its fields; it is no part of what the record says


def keep_aside(record: Any, value: Any) -> None:
    record.__dict__[ASIDE] = value


def kept_aside(record: Any) -> Any:
    return record.__dict__.get(ASIDE)


def replace(record: R, **members: Any) -> R:
    """The record with these members changed, and nothing kept aside."""
    made = object.__new__(type(record))
    fields = made.__dict__
    fields.update(record.__dict__)
    fields.pop(ASIDE, None)
    fields.update(members)
    return made


@cache
def builder(cls: type[R]) -> Callable[[dict[str, Any]], R]:
    """A function that makes an instance from its members; those left out get their defaults. Nothing is checked."""
    fields = dataclasses.fields(cls)  # type: ignore[arg-type]
    defaults = {f.name: f.default for f in fields if f.default is not dataclasses.MISSING}
    factories = [(f.name, f.default_factory) for f in fields if f.default_factory is not dataclasses.MISSING]

    def build(members: dict[str, Any]) -> R:
        made = object.__new__(cls)
        kept = made.__dict__
        kept.update(defaults)
        kept.update(members)
        for name, factory in factories:
            if name not in kept:
                kept[name] = factory()
        return made

    return build
