"""Dataclasses that are made in a tenth of the time: their methods are shared, not compiled.

The library's own `dataclass` compiles six functions for every class, and examines every field;
with hundreds of classes a short command waits longer for those than for its answer. What the
library keeps of the fields is made when it is first asked for.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

__all__ = ["dataclass"]

if TYPE_CHECKING:
    from dataclasses import dataclass
else:
    import dataclasses
    from dataclasses import MISSING, Field, FrozenInstanceError
    from threading import RLock

    def dataclass(cls=None, /, *, frozen=False):
        """`dataclasses.dataclass`, of which `frozen` alone can be said.

        Examples
        --------
        >>> @dataclass(frozen=True)
        ... class Wheel:
        ...     radius_mm: float
        ...     name: str = "front"
        >>> Wheel(50.0), Wheel(50.0) == Wheel(radius_mm=50.0)
        (Wheel(radius_mm=50.0, name='front'), True)
        >>> dataclasses.replace(Wheel(50.0), name="rear")
        Wheel(radius_mm=50.0, name='rear')
        """
        return _made(cls, frozen) if cls is not None else lambda made: _made(made, frozen)

    def _made(cls, frozen):
        every = _every_field(cls)
        shared = {
            "__init__": _init(cls, every),
            "__repr__": _repr,
            "__eq__": _eq,
            "__hash__": _hash if frozen else None,
            "__signature__": _Signature(),
        }
        if frozen:
            shared |= {"__setattr__": _refuse, "__delattr__": _refuse}
        for name, method in shared.items():
            if name not in cls.__dict__ or cls.__dict__[name] is None:
                setattr(cls, name, method)
        cls._compared = tuple(name for name, f in every.items() if f.compare)
        cls._own_fields, cls.__dataclass_fields__ = every, _Fields(cls)
        return cls

    def _every_field(cls):
        """The fields of a class and of those that it is derived from, by name."""
        every = {}
        for base in reversed(cls.__mro__[1:]):
            every |= base.__dict__.get("_own_fields", {})
        for name in cls.__annotations__:
            given = cls.__dict__.get(name, MISSING)
            every[name] = given if isinstance(given, Field) else dataclasses.field(default=given)
        return every

    class _Fields:
        """What `dataclasses.fields` shows of a class, made by the library when first asked for."""

        lock = RLock()

        def __init__(self, cls):
            self.cls = cls

        def __get__(self, instance, cls):
            with self.lock:
                if self.cls.__dict__["__dataclass_fields__"] is self:
                    dataclasses.dataclass(init=False, repr=False, eq=False)(self.cls)
            return self.cls.__dict__["__dataclass_fields__"]

    def _init(cls, every):
        """Fill an instance in the order of its fields."""
        placed = tuple(name for name, f in every.items() if f.init and f.kw_only is not True)
        blank = {name: f.default for name, f in every.items() if f.init}
        made = [
            (n, f.default_factory) for n, f in every.items() if f.default_factory is not MISSING
        ]
        made_names = {name for name, _ in made}
        needed = [n for n, value in blank.items() if value is MISSING and n not in made_names]
        settles = hasattr(cls, "__post_init__")
        whole = len(placed) == len(every) and not settles  # nothing is left to fill in

        def fill(self, /, *args, **given):
            own = self.__dict__
            if whole and not given and len(args) == len(placed):
                own.update(zip(placed, args, strict=True))
                return
            own.update(blank)
            own.update(zip(placed, args, strict=False))
            own.update(given)
            if len(own) > len(blank):
                _complain(self, f"got an unexpected argument {max(given.keys() - blank.keys())!r}")
            if len(args) > len(placed):
                _complain(self, f"takes {len(placed)} arguments by place, not {len(args)}")
            if given and args and not given.keys().isdisjoint(placed[: len(args)]):
                _complain(self, "got a value twice")
            for name in needed:
                if own[name] is MISSING:
                    _complain(self, f"misses {name!r}")
            for name, factory in made:
                if name not in own or own[name] is MISSING:
                    own[name] = factory()
            if settles:
                self.__post_init__()

        return fill

    def _complain(self, what):
        raise TypeError(f"{type(self).__name__}.__init__() {what}")

    def _refuse(self, name, *_):
        raise FrozenInstanceError(f"cannot assign to field {name!r}")

    def _repr(self):
        shown = (f for f in dataclasses.fields(self) if f.repr)
        said = ", ".join(f"{f.name}={getattr(self, f.name)!r}" for f in shown)
        return f"{type(self).__qualname__}({said})"

    def _values(self):
        return tuple(getattr(self, name) for name in self._compared)

    def _eq(self, other):
        return _values(self) == _values(other) if type(self) is type(other) else NotImplemented

    def _hash(self):
        return hash(_values(self))

    class _Signature:
        """What `inspect` and `help` show of a class: its fields and their defaults."""

        def __get__(self, instance, cls):
            from inspect import Parameter, Signature

            def parameter(at):
                kind = Parameter.KEYWORD_ONLY if at.kw_only else Parameter.POSITIONAL_OR_KEYWORD
                default = at.default
                if default is MISSING:
                    made = at.default_factory is not MISSING
                    default = at.default_factory if made else Parameter.empty
                return Parameter(at.name, kind, default=default, annotation=at.type)

            return Signature([parameter(f) for f in dataclasses.fields(cls) if f.init])
