"""The files attached to a sheet: kept before they are listed, read as their fields say, taken into readings."""

from __future__ import annotations

import contextlib
import hashlib

from diagnb.errors import InputFault, fault
from diagnb.forms.attached import TraceView, entries_of_file, is_photo, taken_into_reading, view_of
from diagnb.forms.fields import next_item
from diagnb.forms.sheet_changes import SheetChanges


class SheetFiles(SheetChanges):
    """Adds attached files to the changes of a sheet."""

    def attach(self, file_name: str, data: bytes) -> str:
        """Keep a photo or a recorder's file and list it; returns its id. It is on disk before the journal names it.

        Raises InputFault for what can't be used, and when it could not be kept.
        """
        with self._guard:
            self._check_unsealed()
            if self.locked:
                raise fault("sheet", self.locked)
            name = next_item(self.values, "attachments")
            sha256 = hashlib.sha256(data).hexdigest()
            changes = entries_of_file(self.values, name=name, file_name=file_name, data=data, sha256=sha256)
            self.files.put(data)
            self.put_all(changes)
            return name

    def trace_view(self, name: str) -> TraceView:
        """An attached trace as its fields say it is read. Raises InputFault where they do not fit the file."""
        start = f"attachments.{name}."
        with self._guard:
            values = self.values
            heads = (start, "instruments.", "conditions.ambient", "tests.")
            asked = tuple(
                sorted(
                    (k, t)
                    for k, t in values.items()
                    if k.startswith(heads) and ".readings." not in k and not k.endswith(".shows")
                )
            )
            known = self._viewed.get(name)
            if known is None or known[0] != asked:
                data = self.files.get(self.text(f"{start}sha256"))
                known = asked, view_of(values, self.library, name, data)
                self._viewed[name] = known
            return known[1]

    def replaced_by_trace(self, name: str) -> str:
        """The text of the reading that :meth:`take_trace` would replace by another one; blank when there is none."""
        view = self.trace_view(name)
        test, _, wanted = self.text(f"attachments.{name}.reading").partition(".")
        there = self.text(f"tests.{test}.readings.{wanted}").strip()
        return there if view.reading is not None and there != view.reading["texts"][0] else ""

    def take_trace(self, name: str, *, replacing: str = "") -> str:
        """Put the feature of an attached trace into its reading as one step of undo; returns the reading's key.

        ``replacing`` is the text that stands there and may go. Raises InputFault when another one stands there.
        """
        with self._guard:
            view = self.trace_view(name)
            if view.reading is None:
                raise fault(self.text(f"attachments.{name}.name"), "gives no reading yet", view.missing)
            test, _, wanted = self.text(f"attachments.{name}.reading").partition(".")
            key = f"tests.{test}.readings.{wanted}"
            there = self.replaced_by_trace(name)
            if there and there != replacing.strip():
                spec = self.spec(test, wanted)
                raise fault(spec.title if spec else wanted, f"holds {there} already", "say that it is to be replaced")
            self.put_all({f"{key}{part}": text for part, text in taken_into_reading(view).items()})
            return key

    def recorded(self) -> dict[str, bytes]:
        """The recorded traces of the record by name, as taken; without those that are missing beside the draft."""
        found = {}
        for name in self.items("attachments"):
            with contextlib.suppress(InputFault):
                if not is_photo(self.values, name):
                    data = self.files.get(self.text(f"attachments.{name}.sha256"))
                    found[self.text(f"attachments.{name}.name")] = data
        return found

    def photos(self) -> dict[str, bytes]:
        """The photos of the record by name, as taken. Raises InputFault when one is missing beside the draft."""
        return {
            self.text(f"attachments.{a}.name"): self.files.get(self.text(f"attachments.{a}.sha256"))
            for a in self.items("attachments")
            if is_photo(self.values, a)
        }
