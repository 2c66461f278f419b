"""The form on screen: a frame of plain ipywidgets around the entry grids. It holds no truth and no rule.

Every callback writes the journal first (through the model); whatever goes wrong afterwards becomes a visible
line and a line of the log, never a lost entry.
"""

from __future__ import annotations

import functools
import threading
import time
from collections.abc import Callable, Iterable, Mapping
from typing import Any

from diagnb.errors import fault
from diagnb.forms.backlog import Backlog, Keys
from diagnb.forms.chooser import Chooser
from diagnb.forms.look import SIZES, VIEWS, LookButton
from diagnb.forms.model import FormModel
from diagnb.forms.office import Office
from diagnb.forms.parts import box, button, row, text_box
from diagnb.forms.presenter import Presenter
from diagnb.forms.review_rows import review_rows
from diagnb.forms.revision_step import RevisionStep
from diagnb.forms.row import Row, changed_rows
from diagnb.forms.rows import STEPS, Rows, step_of
from diagnb.forms.signing_step import SigningStep
from diagnb.forms.step_list import Soon, StepList, remarks_of, title_of
from diagnb.forms.targets import nearest_key
from diagnb.forms.trouble import Log, P, Trouble
from diagnb.forms.turned_back import turned_back
from diagnb.forms.widgets import Acknowledge, AttachButton, EntryGrid, Shield, TurnKeys

_ACCEPTED = ".csv,.txt,.tsv,text/csv,image/jpeg,image/png,image/webp"
_SETTLE_SECONDS = 0.5
_PAUSE_SECONDS = 0.02
_HANDOVER_SECONDS = 0.5
_ANSWER_SECONDS = 1.0


class Sheet:
    """One sheet on screen. ``root`` is what a notebook displays; several views of it may be open.

    ``log`` takes the text of a traceback and ``log_file`` names the file it goes to; ``earlier`` gives the entries of the sheet used before this one; ``settle`` delays the marks of the step list after typing, ``pause`` the results, both in seconds; without a pause each key waits for its results.
    """

    def __init__(
        self,
        model: FormModel,
        *,
        presenter: Presenter,
        office: Office,
        log: Log,
        log_file: str = "",
        earlier: Callable[[], Mapping[str, str]] = dict,
        settle: float = _SETTLE_SECONDS,
        pause: float = _PAUSE_SECONDS,
    ) -> None:
        self.model = model
        self.earlier = earlier
        self.rows = Rows(model, presenter, log)
        self.trouble = Trouble(log, log_file)
        self.here = STEPS[0].id
        self._soon = Soon(self.guarded(self._mark_steps), settle)
        self._backlog = Backlog(self.guarded(self._work_out), pause)
        self._guard = threading.RLock()
        self.title, self.remarks = text_box("dn-title-box"), text_box("dn-remarks-box")
        self.table = text_box("dn-table-box")
        self.grids = {
            spec.id: EntryGrid(
                on_edit=self._edit,
                on_act=self._act,
                on_leave=self.guarded(self._left),
                sheet=model.sheet,
                title=spec.title,
                locked=model.locked,
                rows=self.rows.of(spec.id),
            )
            for spec in STEPS
            if spec.id != "sign"
        }
        self.signing = SigningStep(
            model,
            office=office,
            presenter=presenter,
            watched=self.trouble.watched,
            closed=self._closed,
            reveal=self._reveal,
            lead_to=self._lead_to,
        )
        self.revising = RevisionStep(
            model, watched=self.trouble.watched, reveal=self._reveal, begun=self.guarded(self._revised)
        )
        self.attach = AttachButton(
            keep=self._attach, label="Attach photos or recorded traces (CSV)", accept=_ACCEPTED, locked=model.locked
        )
        self.choosers: dict[str, Chooser] = {}
        self.steps = StepList(self._goer)
        self.screens = {spec.id: self._screen(spec.id) for spec in STEPS}
        self.back = button("Back", self.guarded(lambda: self._move(-1)))
        self.next = button("Next", self.guarded(lambda: self._move(1)), go=True)
        self.undo = button("Undo", self.guarded(lambda: self._turn_back(again=False)))
        self.redo = button("Redo", self.guarded(lambda: self._turn_back(again=True)))
        self.view, self.size = LookButton(VIEWS), LookButton(SIZES)
        for look in (self.view, self.size):
            look.button.on_click(functools.partial(self._turn_look, look))
        self.take = button("Write here instead", self.guarded(self._take_over_writing))
        self.shield = Shield(look=self.guarded(self._wear))
        self.keys = TurnKeys(turn=lambda again: self.guarded(self._turn_back)(again=again), stray=self._stray)
        self.root = self._frame()
        self.show(self.here)
        self._stopped = threading.Event()
        threading.Thread(target=self.guarded(self._watch), name="diagnb-handover", daemon=True).start()
        if model.library.faults:
            self.say("Left out: " + "; ".join(str(f) for f in model.library.faults))

    # -- frame -------------------------------------------------------------------------------------------

    def _frame(self) -> Any:
        looks = box([self.view.button, self.size.button], "dn-looks")
        head = box([self.title, looks, self.remarks, self.take], "dn-head")
        screen = box(list(self.screens.values()), "dn-screen")
        body = box([self.steps.root, screen], "dn-body")
        self.undo.add_class("dn-push")
        foot = box([self.trouble.line, self.back, self.next, self.undo, self.redo], "dn-foot")
        return box([self.shield, self.keys, head, body, foot], "dn-root")

    def _screen(self, step: str) -> Any:
        if step == "sign":
            return box([self.signing.root, self.revising.root], "dn-step")
        parts: list[Any] = [self.grids[step]]
        if step == "instruments":
            over = button("Take over those of the last sheet", self.guarded(self._take_over))
            parts.append(row([self._add_button("instruments", "Add an instrument"), over]))
        elif step == "files":
            parts.insert(0, self.attach)
        elif step == "correct":
            parts.append(self._adder("parts", "Add a part"))
        elif step == "findings":
            add = [self._add_button("findings", "Add a finding"), self._add_button("codes", "Add a fault code")]
            parts.append(row(add))
        elif step in ("found", "left"):
            parts += self._test_adders(step)
        elif step == "review":
            parts.insert(0, self.table)
        return box(parts, "dn-step")

    def _add_button(self, kind: str, label: str) -> Any:
        return button(label, self.guarded(lambda: self._add(kind)))

    def _adder(self, kind: str, label: str) -> Any:
        return row([self._add_button(kind, label)])

    def _test_adders(self, step: str) -> list[Any]:
        chooser = self.choosers[step] = Chooser(self.model, guarded=self.guarded)
        find, choice = chooser.find, chooser.choice
        add = button("Add this test", self.guarded(lambda: self._add_test(choice.value, step, "")))
        buttons = [add]
        if step == "found":
            isolating = self.guarded(lambda: self._add_test(choice.value, step, "isolating"))
            buttons.append(button("Add it to isolate the fault", isolating))
        else:
            repeat = button("Repeat each as-found test", self.guarded(self._repeat), go=True)
            return [row([repeat]), find, choice, row(buttons)]
        return [find, choice, row(buttons)]

    # -- callbacks ---------------------------------------------------------------------------------------

    def guarded(self, action: Callable[P, object]) -> Callable[P, None]:
        """``action`` so that a fault in it becomes a visible line at the foot of the form and a line of the log."""
        return self.trouble.watched(action, lambda text: self.say(text))

    def say(self, text: str) -> None:
        """Show one line of trouble at the foot of the form, which is always in sight; blank takes it away."""
        self.trouble.say(text)

    def _edit(self, grid: EntryGrid, key: str, text: str, acknowledge: Acknowledge) -> Iterable[Row] | None:
        before = self.model.stop()
        version = self.model.keep(key, text, typing=True)
        acknowledge(version)
        try:
            turned = self.model.stop() != before
            step = self._step_of(grid)
            self._soon()
            if not turned and key.startswith(("tests.", "attachments.")) and self._backlog.add(step, key, version):
                return None
            begun = time.perf_counter()
            self.say(self.model.work_out((key,), version).trouble)
            with self._guard:
                rows = self._refresh(step, "" if turned else key)
            self._backlog.note((key,), time.perf_counter() - begun)
            return rows
        except Exception as error:  # noqa: BLE001 - the entry is on disk and acknowledged already
            self.say(self.trouble.went_wrong(error))
            return []

    def _work_out(self, keys: Keys, number: int) -> None:
        """The results of what was typed since the last time, up to the journal's entry ``number``."""
        self.say(self.model.work_out(tuple(key for of_step in keys.values() for key in of_step), number).trouble)
        with self._guard:
            for step, of_step in keys.items():
                rows = {row["key"]: row for key in of_step for row in self._refresh(step, key)}
                self.grids[step].show(rows.values(), worked=number)

    def _left(self) -> None:
        """A field was left: what was typed in it is finished."""
        before = self.model.stop()
        self.model.settle()
        if self.model.stop() != before:
            with self._guard:
                self.grids[self.here].show(self._refresh(self.here))
                self._mark_steps()

    def _refresh(self, step: str, key: str = "") -> list[Row]:
        """Bring one grid up to date after a change of ``key``, or altogether.

        Returns the rows to send; none when rows came or went and the grid was given all of them.
        """
        grid = self.grids[step]
        if step == "review":
            after = review_rows(self.model.review(), self.rows.title_of)
            changed = changed_rows(grid.rows, after)
        else:
            changed = self.rows.changed(step, key, grid.rows) if key else None
            if changed is None:
                after = self.rows.of(step)
                changed = changed_rows(grid.rows, after)
        if changed is None:
            grid.rows = after
            return []
        return changed

    def _step_of(self, grid: EntryGrid) -> str:
        return next(step for step, candidate in self.grids.items() if candidate is grid)

    def _act(self, key: str) -> None:
        self.guarded(self._acted)(key)

    def _acted(self, key: str) -> None:
        verb, _, rest = key.partition(".")
        if verb == "remove":
            kind, _, name = rest.partition(".")
            self.model.remove(kind, name)
            self.show(self.here)
        elif verb == "use-trace":
            self.model.take_trace(rest)
            self.show(self.here)
        elif verb == "replace-by-trace":
            name, _, there = rest.partition(".")
            self.model.take_trace(name, replacing=there)
            self.show(self.here)
        elif verb.startswith("node-"):
            self._node_acted(verb.removeprefix("node-"), *rest.split("."))
        elif verb == "go":
            target = rest.partition(".")[2]
            self.show(step_of(self.model, target))
            self._focus_nearest(target)
        elif verb == "confirm":
            self.model.confirm(rest)
            self.show(self.here)

    def _attach(self, file_name: str, data: bytes) -> str:
        name = self.model.attach(file_name, data)
        with self._guard:
            self.show(self.here)
        return f"{self.model.text(f'attachments.{name}.name')} is attached and on disk."

    def _node_acted(self, what: str, test: str, node: str) -> None:
        """A button at a node of a path: up, down, a new one below, off."""
        if what == "add":
            made = self.model.add_node(test, node)
            self.show(self.here)
            self.grids[self.here].focus_on(f"tests.{test}.path.{made}.name")
            return
        if what == "off":
            self.model.remove_node(test, node)
        else:
            self.model.move_node(test, node, -1 if what == "up" else 1)
        self.show(self.here)

    def _focus_nearest(self, target: str) -> None:
        """Put the cursor into the field that is meant, or into the one nearest to it on this screen."""
        fields = [str(row["key"]) for row in self.grids[self.here].rows if "text" in row and "key" in row]
        self.grids[self.here].focus_on(nearest_key(fields, target))

    def _add(self, kind: str) -> None:
        first = {"instruments": "meter", "parts": "action", "codes": "text", "findings": "text"}[kind]
        name = self.model.add(kind, **{first: ""})
        self.show(self.here)
        self.grids[self.here].focus_on(f"{kind}.{name}.{first}")

    def _take_over(self) -> None:
        if not self.model.take_over_instruments(self.earlier()):
            self.say("The last sheet of this folder has no instruments that are not here already.")
            return
        self.show(self.here)

    def _add_test(self, procedure: str | None, step: str, phase: str) -> None:
        if not procedure:
            raise fault(
                "Test to add", "is not chosen", "choose a line with a number; those between dashes only name groups"
            )
        name = self.model.add(
            "tests", procedure=procedure, phase=phase or ("as found" if step == "found" else "as left")
        )
        self.show(self.here)
        self._focus_first_reading(name)

    def _repeat(self) -> None:
        made = self.model.repeat_as_left()
        self.show(self.here)
        if made:
            self._focus_first_reading(made[0])
        else:
            self.say("Every as-found test has its as-left test already.")

    def _focus_first_reading(self, test: str) -> None:
        specs = self.model.specs(test)
        if specs:
            self.grids[self.here].focus_on(f"tests.{test}.readings.{specs[0].name}", top=test)

    def _turn_back(self, *, again: bool) -> None:
        if self.model.locked:
            return
        step = self.model.redo() if again else self.model.undo()
        if step is None:
            self.say("There is nothing more to " + ("redo." if again else "undo."))
            return
        self.show(step_of(self.model, step.key))
        rows = self.grids[self.here].rows if self.here in self.grids else []
        self.trouble.tell(turned_back(step, rows, self.model.library, again=again))
        if any(row.get("key") == step.key for row in rows):
            self._focus_nearest(step.key)

    def _turn_look(self, look: LookButton, _button: object) -> None:
        self.guarded(look.turn)(self.root)
        self.shield.keep_look(name for name in (self.view.worn, self.size.worn) if name)

    def _wear(self, names: list[str]) -> None:
        for look in (self.view, self.size):
            look.wear(self.root, names)

    def _stray(self, text: str) -> None:
        self.say(
            f"“{text}” came from a bar-code reader while no field was chosen, so it is nowhere: touch its field, then read it again."
        )

    def _watch(self) -> None:
        """Hand the sheet over when another opening of it asks, until the form is stopped."""
        while not self._stopped.wait(_HANDOVER_SECONDS):
            if self.model.journal.is_asked_for() and not self.signing.is_busy:
                if self.model.journal.is_asked_if_left() and self.shield.is_seen(seconds=_ANSWER_SECONDS):
                    continue  # somebody works with it here
                with self._guard:
                    self.model.journal.hand_over()
                    self._lock_all()

    def _take_over_writing(self) -> None:
        if not self.model.take_over(seconds=6 * _HANDOVER_SECONDS):
            self.say("The other window or kernel does not answer. Shut its kernel down, then try again.")
            return
        self._lock_all()
        for step in self.grids:
            self.grids[step].rows = self.rows.of(step)
        self.show(self.here)

    def _lock_all(self) -> None:
        self.attach.locked = self.model.locked
        for grid in self.grids.values():
            grid.locked = self.model.locked
        self._mark_steps()
        if self.here == "sign":
            self.signing.refresh()

    def _reveal(self, name: str) -> None:
        self.shield.show_place(name)

    def _lead_to(self, name: str) -> None:
        self.shield.show_place(name, focus=True)

    def equip(self, presenter: Presenter, office: Office) -> None:
        """Say results and issue reports by these from now on: the settings were changed while the sheet is open."""
        with self._guard:
            self.rows.present_with(presenter)
            self.signing.presenter, self.signing.office = presenter, office
            self.show(self.here)

    def _closed(self) -> None:
        """After signing: nothing takes entries any more, and nothing that was said before it still holds."""
        self.say("")
        self.revising.refresh()
        self.attach.locked = self.model.locked
        for grid in self.grids.values():
            grid.locked = self.model.locked
            grid.forget_copies()
        self._mark_steps()

    def _revised(self) -> None:
        """The sheet takes entries again, for the next revision."""
        self.attach.locked = self.model.locked
        for step, grid in self.grids.items():
            grid.locked = self.model.locked
            self._refresh(step)
        self.show("review")

    # -- steps -------------------------------------------------------------------------------------------

    def _goer(self, step: str) -> Callable[[], None]:
        return self.guarded(lambda: self.show(step))

    def _move(self, by: int) -> None:
        order = [spec.id for spec in STEPS]
        self.show(order[min(max(order.index(self.here) + by, 0), len(order) - 1)])

    def show(self, step: str) -> None:
        """Show one step, brought up to date."""
        with self._guard:
            moved, self.here = self.here != step, step
            self.say("")
            self.model.journal.end_step()
            self.signing.quiet()
            if step == "sign":
                self.signing.refresh()
                self.revising.refresh()
            else:
                rows = self._refresh(step)
                if rows:
                    self.grids[step].show(rows)
                self.grids[step].locked = self.model.locked
            if step in self.choosers:
                self.choosers[step].offer()
            if step == "review":
                self.table.value = self.signing.summary()
            for name, screen in self.screens.items():
                screen.layout.display = "" if name == step else "none"
            if moved:
                self.shield.scroll_to_top()
            order = [spec.id for spec in STEPS]
            self.back.disabled = step == order[0]
            self.next.disabled = step == order[-1]
            self._mark_steps()

    def go_on(self) -> None:
        """Show the step where the last entry was made; of a signed sheet the last step."""
        last = next(self.model.journal.steps(), None)
        if self.model.journal.closed is not None:
            self.show("sign")
        elif last is not None:
            self.show(step_of(self.model, last.key))

    def _mark_steps(self) -> None:
        review = self.model.review()
        with self._guard:
            self.steps.mark(self.here, self.rows.states(review))
            self.title.value, self.remarks.value = title_of(self.model), remarks_of(self.model)
            waits = self.model.journal.read_only and self.model.journal.closed is None
            self.take.layout.display = "" if waits else "none"
            self.undo.disabled = self.redo.disabled = bool(self.model.locked)

    def stop(self) -> None:
        """Stop what runs beside the form and let go of the sheet's file."""
        self._stopped.set()
        self._soon.cancel()
        self._backlog.forget()
        self.model.release()
