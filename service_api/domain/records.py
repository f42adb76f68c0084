"""Records: frozen dataclasses that cost a start next to nothing.

`@record` gives a class what `@dataclass(frozen=True)` gives it: `__init__`, equality and hash by its fields, a repr, no
assignment. A dataclass gets each of these compiled for itself, half a millisecond a class, and a start makes two
hundred classes; records share them, and `__init__` is compiled with the first instance. A record must not define
`__slots__`, `__post_init__` or fields without `init`.

A state is stepped several times in every append; `builder` and `replace` make and change a record by its dictionary,
which costs a tenth of `__init__` and `dataclasses.replace`.
"""

import dataclasses
from collections.abc import Callable
from functools import cache
from operator import attrgetter
from reprlib import recursive_repr
from typing import Any, Generic, NoReturn, Self, TypeVar, dataclass_transform, overload

R = TypeVar("R")
V = TypeVar("V")


@overload
def record(cls: type[R], /) -> type[R]: ...
@overload
def record(*, kw_only: bool = False) -> Callable[[type[R]], type[R]]: ...
@dataclass_transform(frozen_default=True, field_specifiers=(dataclasses.field,))
def record(cls: Any = None, /, *, kw_only: bool = False) -> Any:
    """Make the class a record, by its hints."""

    def make(cls: Any) -> Any:
        cls.__doc__ = cls.__doc__ or cls.__name__  # else the signature is worked out, which takes longer than the rest
        dataclasses.dataclass(init=False, repr=False, eq=False, kw_only=kw_only)(cls)
        names = [f.name for f in dataclasses.fields(cls)]
        cls._values = attrgetter(*names) if names else staticmethod(lambda _: ())
        for name, method in _METHODS.items():
            setattr(cls, name, method)
        return cls

    return make if cls is None else make(cls)


def _first_init(self: Any, /, *given: Any, **members: Any) -> None:
    """Of the first instance; the class has its own from then on."""
    cls = type(self)
    cls.__init__ = _compiled_init(cls)
    cls.__init__(self, *given, **members)


def _compiled_init(cls: Any) -> Any:
    known: dict[str, Any] = {"LEFT_OUT": object()}
    by_place: list[str] = []
    by_name: list[str] = []
    body = ["_kept = self.__dict__"]
    for f in dataclasses.fields(cls):
        parameter = value = f.name
        if f.default is not dataclasses.MISSING:
            known[f"default_{f.name}"] = f.default
            parameter = f"{f.name}=default_{f.name}"
        elif f.default_factory is not dataclasses.MISSING:
            known[f"make_{f.name}"] = f.default_factory
            parameter, value = f"{f.name}=LEFT_OUT", f"make_{f.name}() if {f.name} is LEFT_OUT else {f.name}"
        (by_name if f.kw_only else by_place).append(parameter)
        body.append(f"_kept[{f.name!r}] = {value}")
    taken = ", ".join(["self", "/", *by_place, *(["*", *by_name] if by_name else [])])
    exec(f"def __init__({taken}):\n  " + "\n  ".join(body), known)
    known["__init__"].__qualname__ = f"{cls.__qualname__}.__init__"
    return known["__init__"]


def _eq(self: Any, other: Any) -> Any:
    return self._values(self) == self._values(other) if type(other) is type(self) else NotImplemented


def _hash(self: Any) -> int:
    return hash(self._values(self))


@recursive_repr()
def _repr(self: Any) -> str:
    members = ", ".join(f"{f.name}={getattr(self, f.name)!r}" for f in dataclasses.fields(self))
    return f"{type(self).__qualname__}({members})"


def _refuse(self: Any, name: str, *value: Any) -> NoReturn:
    raise dataclasses.FrozenInstanceError(f"{type(self).__name__}.{name} stays as it was made")


_METHODS: dict[str, Any] = {
    "__init__": _first_init,
    "__eq__": _eq,
    "__hash__": _hash,
    "__repr__": _repr,
    "__setattr__": _refuse,
    "__delattr__": _refuse,
}


class once(Generic[V]):  # it is written as `property` is
    """A property that is worked out for the first who asks, and kept with the record.

    The library's `cached_property` takes a lock for it up to Python 3.11; what two threads work out here is the same.
    """

    def __init__(self, work: Callable[[Any], V]) -> None:
        self.work, self.name, self.__doc__ = work, work.__name__, work.__doc__

    @overload
    def __get__(self, owner: None, cls: Any) -> Self: ...
    @overload
    def __get__(self, owner: object, cls: Any) -> V: ...
    def __get__(self, owner: Any, cls: Any) -> Any:
        if owner is None:
            return self
        found = owner.__dict__[self.name] = self.work(owner)
        return found


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
    if ASIDE in fields:
        fields[ASIDE] = None  # taken out it would leave a hole, with which a copy takes twice as long
    fields.update(members)
    return made


def extended(cls: type[R], record: Any, **members: Any) -> R:
    """The record as one of a class that has more members, all of which are given."""
    made = object.__new__(cls)
    fields = made.__dict__
    fields.update(record.__dict__)
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
