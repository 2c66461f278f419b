"""The rows of a path test: nodes one below the other as the red lead walks, the profile, then span by span."""

from __future__ import annotations

from typing import Any

from diagnb.evaluation import Result, TestResult
from diagnb.forms.entries import instrument_for, instruments_able
from diagnb.forms.entries_of_path import LENGTH, LIMIT, SIZE, SOURCE, TEMPERATURE
from diagnb.forms.fields import Field
from diagnb.forms.path_nodes import CROSSINGS, KINDS, node_ids, node_name
from diagnb.forms.row import Row, heading, note
from diagnb.forms.rows_of_test import RowsOfTest
from diagnb.procedures import Procedure

_NAME = Field("name", "Node")
_KIND = Field("kind", "Kind", "choice", options=KINDS)
_CROSSES = Field("crosses", "Span is", "choice", options=CROSSINGS)
_REFERENCE = Field("reference", "Reference point", needed=True, hint="where the black lead stays")
_LOAD = Field("load_state", "Load", hint="what is switched on")


class RowsOfPath(RowsOfTest):
    """Adds path tests to what :class:`RowsOfTest` makes."""

    def taken(self, test: str, procedure: Procedure, outcome: TestResult | None) -> list[Row]:
        """Readings and results of one test; of a path test its nodes, its profile and its spans."""
        if procedure.kind != "path":
            return super().taken(test, procedure, outcome)
        results = {r.name: r for r in outcome.results} if outcome else {}
        base = f"tests.{test}.path"
        rows = [self.field(_REFERENCE, f"{base}.reference"), self.field(_LOAD, f"{base}.load_state")]
        rows += self._voltmeter(test)
        rows += [
            heading(
                "Nodes",
                "what the red lead touches, from the source through the load to its ground; Enter goes on to the next voltage",
            )
        ]
        ids = node_ids(self.model.values, test)
        for place, node in enumerate(ids):
            rows += self._node(
                test, node, following=(*ids[place + 1 :], "")[0], number=place + 1, last=place == len(ids) - 1
            )
        for name in ("current", "source_voltage"):
            spec = self.model.spec(test, name)
            found = self.reading(test, spec, self.model.values) if spec else []
            if name == "source_voltage" and found:
                found[0] |= _plain_hint(found[0]) and {"hint": "for the sum check"}
            rows += found
        rows.append(heading("Voltage profile"))
        rows.append(self._profile(test, outcome))
        rows.append(
            heading("Spans", "read across a span to judge it more sharply; with size and length its drop is expected")
        )
        for place, node in enumerate(ids[:-1], 1):
            rows += self._span(test, node, ids[place], results, place)
        rows += self._rest(test, outcome, {f"span_{place}_drop" for place in range(1, len(ids))})
        return rows

    def _voltmeter(self, test: str) -> list[Row]:
        spec = next((s for s in self.model.specs(test) if s.name.startswith("node_")), None)
        if spec is None:
            return []
        able = instruments_able(self.model.values, self.model.library, spec)
        if len(able) < 2:
            return []
        names = tuple((name, self.model.instrument_name(name)) for name in able)
        choice = self.field(Field("", "Voltages taken with", "choice", options=names), f"tests.{test}.instrument")
        return [choice | {"text": instrument_for(self.model.values, self.model.library, test, spec)}]

    def _node(self, test: str, node: str, *, following: str, number: int, last: bool) -> list[Row]:
        base = f"tests.{test}.path.{node}"
        spec = self.model.spec(test, f"node_{node}")
        name = node_name(self.model.values, test, node)
        after = f"tests.{test}.readings." + (f"node_{following}" if following else "current")
        rows = [self.field(_NAME, f"{base}.name") | {"label": f"Node {number}"}, self.field(_KIND, f"{base}.kind")]
        rows += (
            [
                row | {"label": "Voltage", "next": after, **_plain_hint(row)}
                for row in self.reading(test, spec, self.model.values)[:1]
            ]
            if spec
            else []
        )
        buttons: list[tuple[str, str]] = [(f"node-up.{test}.{node}", "Up")] if number > 1 else []
        buttons += [] if last else [(f"node-down.{test}.{node}", "Down")]
        buttons += [(f"node-add.{test}.{node}", "Add a node below"), (f"node-off.{test}.{node}", "Take off")]
        rows.append({"kind": "buttons", "key": f"buttons.{base}", "label": name, "buttons": [list(b) for b in buttons]})
        return [row | {"block": f"{base}.node", "block_label": f"Node {number}: {name}"} for row in rows]

    def _span(self, test: str, node: str, following: str, results: dict[str, Result], number: int) -> list[Row]:
        base = f"tests.{test}.path.{node}"
        values = self.model.values
        title = f"{node_name(values, test, node)} → {node_name(values, test, following)}"
        rows: list[Row] = []
        is_load = (values.get(f"{base}.kind"), values.get(f"tests.{test}.path.{following}.kind")) == (
            "load feed",
            "load ground",
        )
        spec = self.model.spec(test, f"drop_{node}")
        if spec:
            rows += [row | {"label": "Read across", **_plain_hint(row)} for row in self.reading(test, spec, values)[:1]]
        if not is_load:
            rows += [self.field(_CROSSES, f"{base}.crosses")]
            rows += [self.field(spec, f"{base}.{spec.name}") for spec in (SIZE, LENGTH, TEMPERATURE, LIMIT)]
            if values.get(f"{base}.limit", "").strip():
                rows.append(self.field(SOURCE, f"{base}.limit_source"))
        drop = results.get(f"span_{number}_drop")
        key = f"tests.{test}.results.span_{node}"
        rows.append({**self.judged(key, title, drop, drawn=False), "compact": True} | self._expected(results, number))
        return [row | {"block": f"{base}.span", "block_label": f"Span {number}: {title}"} for row in rows]

    def _expected(self, results: dict[str, Result], number: int) -> Row:
        """The expected drop beside the one found, where the wire is known."""
        expected = results.get(f"span_{number}_expected")
        said = self.presenter.expected(expected) if expected else ""
        return {"expected": said} if said else {}

    def _profile(self, test: str, outcome: TestResult | None) -> Row:
        row: Row = {
            "kind": "picture",
            "key": f"tests.{test}.profile",
            "label": "Voltage profile",
            "picture": "",
        }
        profile = outcome.profile if outcome else None
        if outcome is None or profile is None or all(point.value is None for point in profile.points):
            return row | {"said": "Drawn when the first node has its voltage."}
        said: list[Any] = [self.presenter.profile_sentence(outcome)]
        failing = (
            next((r for r in outcome.results if r.name == f"{profile.failing}_drop"), None) if profile.failing else None
        )
        if failing is not None:
            said.append(f"Next: {self.presenter.remark(failing)}")
        if profile.adds_up is not None:
            said.append(
                "The drops add up to the source voltage."
                if profile.adds_up
                else "The drops do not add up to the source voltage."
            )
        return row | {
            "picture": self.presenter.profile_picture(outcome),
            "said": " ".join(said),
            "fails": failing is not None,
        }

    def _rest(self, test: str, outcome: TestResult | None, shown: set[str]) -> list[Row]:
        """Stretches over nodes without a value, and the sum check."""
        if outcome is None:
            return [note("The results come with the first voltage.")]
        rest = [
            r
            for r in outcome.results
            if r.name not in shown and (r.name == "sum_check" or r.name.startswith("stretch_"))
        ]
        rest = [r for r in rest if r.name.endswith(("_drop", "sum_check"))]
        return [self.judged(f"tests.{test}.results.{r.name}", r.title, r) for r in rest]


def _plain_hint(row: Row) -> Row:
    """In a box of its own a reading needs no word on whether it is needed; what was read as found stays."""
    return {} if str(row["hint"]).startswith("as found") else {"hint": ""}
