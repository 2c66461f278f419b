"""What goes wrong, said so that its reader can mend it: where, what, how to repair."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Fault:
    """One fault of an input: the place, what is wrong there, and what to do about it."""

    where: str
    what: str
    repair: str = ""

    def __str__(self) -> str:
        place = f"{self.where}: " if self.where else ""
        remedy = f" ({self.repair})" if self.repair else ""
        return f"{place}{self.what}{remedy}"


class DiagnbError(Exception):
    """Base of every error this package raises on purpose; carries one fault or more."""

    def __init__(self, faults: Fault | Iterable[Fault]) -> None:
        self.faults: tuple[Fault, ...] = (faults,) if isinstance(faults, Fault) else tuple(faults)
        super().__init__("; ".join(str(f) for f in self.faults))

    def __reduce__(self) -> tuple[type[DiagnbError], tuple[tuple[Fault, ...]]]:
        return type(self), (self.faults,)


class InputFault(DiagnbError):
    """Text, a file or an argument is not what it must be. All its faults are listed."""


class MeasurementFault(DiagnbError):
    """The numbers are legible, but no honest result can be computed from them."""


class SigningFault(DiagnbError):
    """A key, certificate or trust list can't be used, or a signature can't be made."""


class MissingPackage(DiagnbError):
    """An optional package is not installed; the repair names the command that installs it."""


def missing_package(package: str, extras: str, why: str = "is not installed") -> MissingPackage:
    """``package`` is not there; ``extras`` of this package bring it, separated by commas."""
    repair = f"pip install 'diagnb[{extras}]', or from a clone: pip install '.[{extras}]'"
    return MissingPackage(Fault(package, why, repair))


def fault(where: str, what: str, repair: str = "") -> InputFault:
    """Shorthand for the commonest case: one input fault."""
    return InputFault(Fault(where, what, repair))
