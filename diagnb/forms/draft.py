"""From the flat draft (field key → typed text) to the plain record, with every fault at its field."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from types import MappingProxyType
from typing import Any

from diagnb.errors import Fault
from diagnb.forms.entries_of_tests import EntriesOfTests
from diagnb.forms.fields import ITEMS, SINGLE, Field, items, read_text
from diagnb.forms.library import Library
from diagnb.forms.voltage_stop import is_qualification
from diagnb.record.document import SCHEMA


@dataclass(frozen=True, slots=True)
class Draft:
    """``plain`` is what there is so far in the shape of a record; ``faults`` name field keys."""

    plain: Mapping[str, Any]
    faults: tuple[Fault, ...]
    keys: Mapping[str, str]
    """Path in the record → field key, for faults that the record's own door finds."""

    def key_of(self, path: str) -> str:
        """The field where a fault at this path of the record is mended; the path itself when there is none."""
        place = path
        while place and place not in self.keys:
            place = place[: max(place.rfind("."), place.rfind("["), 0)]
        return self.keys.get(place, path)


def draft_record(
    values: Mapping[str, str],
    *,
    library: Library,
    sheet: str,
    revision: int = 1,
    created: dt.datetime,
    time_of: Callable[[str], dt.datetime | None],
    begun: Callable[[str], dt.datetime | None],
    localise: Callable[[dt.datetime], dt.datetime],
    only_test: str = "",
    fill: bool = False,
) -> Draft:
    """The plain record of a draft.

    ``fill`` puts a dash where a needed field is still blank, so that what is there can be evaluated already;
    without it each blank needed field is a fault. ``only_test`` leaves the other tests out.
    """
    return _Writer(values, library, time_of, begun, fill, created, localise).record(sheet, revision, only_test)


class _Writer(EntriesOfTests):
    def record(self, sheet: str, revision: int, only_test: str) -> Draft:
        created = self.created
        made: dict[str, Any] = {
            "schema": SCHEMA,
            "id": self.text("record.id") or sheet,
            "revision": revision,
            "created": created.isoformat(),
        }
        if self.text("demonstration") == "yes":
            made["demonstration"] = True
        for spec in SINGLE:
            if not spec.name.startswith("people."):
                self.place(made, spec)
        opened = self.moment("order.opened", "order.opened") or created
        made.setdefault("order", {})["opened"] = opened.isoformat()
        if self.fill:
            made["order"].setdefault("number", "-")
            made.setdefault("vehicle", {}).setdefault("system_voltage", "12")
            circuit = made.setdefault("circuit", {})
            circuit.setdefault("name", "-")
            circuit.setdefault("class", "ordinary")
        if "coverage" in made and "policy" not in made["coverage"]:
            if not self.fill:
                self.add("coverage.policy", "Warranty policy is missing", "or leave its dates and distance blank")
            del made["coverage"]
        made["people"] = self.people()
        if any(person["id"] == "qualified" for person in made["people"]):
            made["qualified_person"] = "qualified"
        made["instruments"] = self.instruments()
        made["tests"] = self.tests(only_test)
        for kind in ("codes", "parts", "findings"):
            made[kind] = self.listed(kind)
        made["attachments"] = self.attachments()
        made["cautions_shown"] = self.cautions()
        used = {t["procedure"] for t in made["tests"]}
        made["procedures"] = {p: dict(self.library.procedures[p].plain) for p in sorted(used)}
        meters = {i["meter"] for i in made["instruments"]}
        made["meters"] = {m: dict(self.library.meters[m].plain) for m in sorted(meters)}
        return Draft(made, tuple(self.faults), MappingProxyType(self.keys))

    def place(self, plain: dict[str, Any], spec: Field) -> None:
        value = self.read(spec, spec.name, spec.name)
        if value is None:
            return
        part, _, name = spec.name.partition(".")
        if name:
            plain.setdefault(part, {})[name] = value
        else:
            plain[part] = value

    def people(self) -> list[dict[str, Any]]:
        found: list[dict[str, Any]] = []
        for person in ("technician", "reviewer"):
            place = f"people[{len(found)}]"
            self.keys[place] = self.keys[f"{place}.name"] = f"people.{person}.name"
            name = read_text(self.text(f"people.{person}.name"))
            if not name and person == "technician":
                if not self.fill:
                    self.add("people.technician.name", "Technician is missing")
                name = "-"
            if not name:
                continue
            entry = {"id": person, "name": name, "role": person}
            qualification = read_text(self.text(f"people.{person}.qualification"))
            found.append(entry | ({"qualification": qualification} if qualification else {}))
        name, qualification = (read_text(self.text(f"people.qualified.{part}")) for part in ("name", "qualification"))
        if name and is_qualification(qualification):
            found.append({"id": "qualified", "name": name, "role": "qualified person", "qualification": qualification})
        elif (name or qualification) and not self.fill:
            blank = "qualification" if name else "name"
            what = "is too short to name one" if name and qualification else "is missing"
            self.add(
                f"people.qualified.{blank}", f"the {blank} of the qualified person {what}", "licence, course, number"
            )
        return found

    def instruments(self) -> list[dict[str, Any]]:
        found: list[dict[str, Any]] = []
        for name in items(self.values, "instruments"):
            meter = self.text(f"instruments.{name}.meter")
            if meter not in self.library.meters:
                self.add(
                    f"instruments.{name}.meter",
                    "Type of instrument is missing",
                    "choose its accuracy sheet from the list",
                )
                continue
            place = f"instruments[{len(found)}]"
            entry = self.item("instruments", name, place)
            self.keys[place] = f"instruments.{name}.due"
            found.append({"id": name, "meter": meter, "serial": "-", **entry})
        return found

    def item(self, kind: str, name: str, place: str) -> dict[str, Any]:
        self.keys[place] = f"{kind}.{name}.{ITEMS[kind][0].name}"
        entry = {}
        for spec in ITEMS[kind]:
            value = self.read(spec, f"{kind}.{name}.{spec.name}", f"{place}.{spec.name}")
            if value is not None:
                entry[spec.name] = value
        return entry

    def listed(self, kind: str) -> list[dict[str, Any]]:
        found: list[dict[str, Any]] = []
        for name in items(self.values, kind):
            entry = self.item(kind, name, f"{kind}[{len(found)}]")
            if kind == "findings":
                known = self.known_tests()
                shown = [
                    t
                    for t in items(self.values, "tests")
                    if t in known and self.text(f"findings.{name}.shows.{t}") == "yes"
                ]
                entry["tests"] = shown
            if all(spec.name in entry for spec in ITEMS[kind] if spec.needed):
                found.append(entry)
        return found

    def attachments(self) -> list[dict[str, Any]]:
        found: list[dict[str, Any]] = []
        for name in items(self.values, "attachments"):
            base = f"attachments.{name}"
            self.keys[f"attachments[{len(found)}]"] = f"{base}.shows"
            shows = read_text(self.text(f"{base}.shows"))
            entry = {part: self.text(f"{base}.{part}") for part in ("name", "sha256", "media_type")}
            found.append({**entry, "size": int(self.text(f"{base}.size") or 0), **({"shows": shows} if shows else {})})
        return found

    def cautions(self) -> list[dict[str, Any]]:
        shown = []
        for key in self.values:
            if key.startswith("cautions.") and self.values[key]:
                time = self.time_of(key)
                if time is not None:
                    shown.append({"id": key.partition(".")[2], "time": time.isoformat(), "to": "technician"})
        return shown
