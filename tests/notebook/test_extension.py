"""The IPython extension in a real shell of this process: magic, settings, completion, rich display, unloading."""

from __future__ import annotations

import json
import re
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from IPython.core.error import UsageError
from IPython.core.interactiveshell import InteractiveShell
from IPython.utils.capture import capture_output

from diagnb.conformity import Limit, judge
from diagnb.evaluation import evaluate
from diagnb.notebook.formatters import FORMATS
from diagnb.record import load_record, plain
from diagnb.uncertainty import Estimate

EVIL = "<script>alert(1)</script> `a|b` \\input{x} $y$ & _z_"


def record(**changes: Any) -> dict[str, Any]:
    """An invented record with one failing and one undecided drop."""

    def test(name: str, drop: str, phase: str) -> dict[str, Any]:
        return {
            "id": name, "procedure": "feed-side-drop", "phase": phase, "time": "2026-03-05T09:40:00+01:00", "by": "ann",
            "readings": [
                {"name": "drop", "texts": [drop], "instrument": "m1"},
                {"name": "load_current", "texts": ["4.80 A"], "instrument": "m1"},
            ],
        }  # fmt: skip

    made = {
        "schema": "diagnb-record/1", "id": "rec-1", "created": "2026-03-05T10:00:00+01:00",
        "order": {"number": "RO-1", "opened": "2026-03-05T09:00:00+01:00"},
        "vehicle": {"unit": "U-7", "system_voltage": "12"}, "complaint": "dim",
        "circuit": {"name": "lamp", "class": "ordinary"},
        "people": [{"id": "ann", "name": "Ann Example", "role": "technician"}],
        "instruments": [{"id": "m1", "meter": "handheld-6000", "serial": "S", "calibrated": "2026-01-10", "due": "2027-01-10"}],
        "tests": [test("t1", "350 mV", "as found"), test("t2", "201 mV", "as left")],
    }  # fmt: skip
    return made | changes


@pytest.fixture
def shell(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[InteractiveShell]:
    monkeypatch.setenv("IPYTHONDIR", str(tmp_path / "ipython"))
    work = tmp_path / "work shop ü"
    work.mkdir()
    monkeypatch.chdir(work)
    InteractiveShell.clear_instance()
    made = InteractiveShell.instance()
    made.history_manager.enabled = False
    made.run_line_magic("load_ext", "diagnb")
    yield made
    made.run_line_magic("unload_ext", "diagnb")
    made.history_manager.end_session()
    InteractiveShell.clear_instance()


@pytest.fixture
def saved(shell: InteractiveShell) -> Path:
    path = Path("record.json")
    path.write_text(json.dumps(record()), encoding="utf-8")
    return path


def shown(shell: InteractiveShell, value: Any) -> dict[str, str]:
    data, _ = shell.display_formatter.format(value)
    return data


def test_loading_is_light_and_imports_no_form():
    code = (
        "import sys, time; from IPython.core.interactiveshell import InteractiveShell as S; s = S.instance();"
        "t = time.perf_counter(); s.run_line_magic('load_ext', 'diagnb'); took = time.perf_counter() - t;"
        "heavy = [m for m in ('ipywidgets', 'anywidget', 'numpy', 'scipy', 'pint', 'reportlab', 'pydantic', 'cryptography') if m in sys.modules];"
        "print(took, heavy)"
    )  # fmt: skip
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip().endswith("[]"), done.stdout


def test_evaluate_check_and_show_return_what_python_would(shell, saved):
    assert shell.run_line_magic("diagnb", "evaluate record.json").to_plain() == evaluate(load_record(saved)).to_plain()
    assert plain(shell.run_line_magic("diagnb", "show record.json")) == plain(load_record(saved))
    codes = {remark.code for remark in shell.run_line_magic("diagnb", "check record.json")}
    assert codes


def test_report_and_verify_and_back_to_the_record(shell, saved):
    with capture_output() as captured:
        shell.run_line_magic("diagnb", "report record.json -o 'a report.pdf' --language de")
    assert "not signed" in captured.stdout
    assert Path("a report.pdf").read_bytes().startswith(b"%PDF")
    found = shell.run_line_magic("diagnb", "verify 'a report.pdf'")
    assert not found.trustworthy
    assert "no-signature" in found.reasons
    assert shell.run_line_magic("diagnb", "show 'a report.pdf'").id == "rec-1"


@pytest.mark.parametrize(
    ("line", "said"),
    [
        ("bogus", "invalid choice"),
        ("evaluate", "required"),
        ("evaluate nothing.json", "can't be read"),
        ("evaluate 'unbalanced", "quotes"),
        ("open nowhere", "there is no sheet"),
        ("form 'a/b'", "can't name a sheet"),
        ("show nothing.pdf", "can't be read"),
    ],
)
def test_what_is_wrong_is_one_line_and_no_traceback(shell, line, said):
    with pytest.raises(UsageError, match=re.escape(said)):
        shell.run_line_magic("diagnb", line)


@pytest.mark.parametrize("line", ["--help", "form --help", "report --help", "verify --help"])
def test_help_is_printed(shell, line):
    with capture_output() as captured:
        assert shell.run_line_magic("diagnb", line) is None
    assert "usage: diagnb" in captured.stdout


def test_a_bad_record_says_all_its_faults(shell):
    broken = record(extra=1)
    broken["tests"][0]["readings"][0]["texts"] = ["12 A"]
    Path("bad.json").write_text(json.dumps(broken), encoding="utf-8")
    with pytest.raises(UsageError, match="extra: is an unknown key"):
        shell.run_line_magic("diagnb", "evaluate bad.json")


def test_settings_reach_a_new_sheet(shell):
    shell.run_line_magic("config", "Diagnb.technician = 'Ann Example'")
    shell.run_line_magic("config", "Diagnb.folder = 'elsewhere'")
    with capture_output():
        shell.run_line_magic("diagnb", "form lamp")
    from diagnb.notebook.opening import Workplace, drafts, open_sheet

    place = Workplace(Path("elsewhere"), Path("keys"), Path("keys/trust.json"))
    assert drafts(place) == ("lamp",)
    assert open_sheet(place, "lamp").model.text("people.technician.name") == "Ann Example"
    with capture_output() as captured:
        shell.run_line_magic("diagnb", "open")
    assert captured.stdout.strip() == "lamp"


def test_running_the_cell_again_shows_the_same_live_sheet(shell):
    from diagnb.notebook import opening

    with capture_output() as first:
        shell.run_line_magic("diagnb", "form lamp")
    with capture_output() as second:
        shell.run_line_magic("diagnb", "form lamp")
    assert len(opening._open) == 1
    models = [next(o.data["application/vnd.jupyter.widget-view+json"]["model_id"] for o in c.outputs if "application/vnd.jupyter.widget-view+json" in o.data) for c in (first, second)]  # fmt: skip
    assert models[0] == models[1]
    assert any("run this cell again" in o.data.get("text/html", "") for o in first.outputs)


def form(shell: InteractiveShell, line: str = "form") -> str:
    """Open a form; returns the name of the sheet that it says."""
    with capture_output() as captured:
        shell.run_line_magic("diagnb", line)
    return re.search(r"sheet <b>([^<]+)</b>", captured.outputs[-1].data["text/html"]).group(1)


def test_a_notebook_finds_its_unsigned_sheet_again_and_another_gets_its_own(shell, monkeypatch):
    from diagnb.notebook import opening

    monkeypatch.setenv("JPY_SESSION_NAME", "/shop/Wagen 7.ipynb")
    first = form(shell)
    opening.close_all()
    assert form(shell, "") == first
    monkeypatch.setenv("JPY_SESSION_NAME", "/shop/Wagen 8.ipynb")
    second = form(shell)
    assert second != first
    assert form(shell, "form --new") not in (first, second)
    monkeypatch.setenv("JPY_SESSION_NAME", "/shop/Wagen 7.ipynb")
    assert form(shell) == first
    place = opening.Workplace(Path(), Path("keys"), Path("t"))
    opening.open_sheet(place, first).model.close({"report": "r.pdf"})
    assert form(shell) not in (first, second)
    assert form(shell, f"form {first}") == first


def test_completion_offers_verbs_sheets_options_and_files(shell, saved):
    with capture_output():
        shell.run_line_magic("diagnb", "form lamp")

    def offered(line: str) -> set[str]:
        from IPython.core.completer import provisionalcompleter

        with provisionalcompleter():
            return {c.text for c in shell.Completer.completions(line, len(line))}

    assert {"form", "verify", "report"} <= offered("%diagnb ")
    assert offered("%diagnb ev") == {"evaluate"}
    assert "lamp" in offered("%diagnb open ")
    assert "--language" in offered("%diagnb report x.json --l")
    assert "record.json" in offered("%diagnb evaluate rec")


def test_every_display_says_the_same_in_four_formats(shell):
    made = load_record(record())
    evaluation = evaluate(made)
    result = evaluation.test("t2").result("feed_drop")
    for value, words in (
        (made, ("rec-1", "350 mV")),
        (evaluation, ("rec-1", "fail", "conditional fail")),
        (evaluation.test("t1"), ("fail", "0.350")),
        (result, ("conditional fail", "0.201")),
        (result.verdict, ("conditional fail", "guarded-95")),
        (judge(Estimate(0.1, 0.01), Limit(upper=0.5, source="invented")), ("pass", "invented")),
    ):
        data = shown(shell, value)
        assert set(FORMATS) <= set(data)
        for mime in FORMATS:
            for word in words:
                assert word in data[mime], (mime, word)


def test_html_survives_an_untrusted_notebook(shell):
    data = shown(shell, evaluate(load_record(record())))["text/html"]
    assert "<style" not in data
    assert "<svg" not in data
    assert "class=" not in data
    pictures = re.findall(r'<img alt="([^"]+)" src="data:image/svg\+xml;base64,', data)
    assert len(pictures) == 2
    assert any("fail" in alt for alt in pictures)


def test_markup_in_a_record_is_text_in_every_display(shell):
    made = load_record(record(complaint=EVIL, circuit={"name": EVIL, "class": "ordinary"}))
    data = shown(shell, made)
    assert "<script" not in data["text/html"]
    assert "<script" not in data["text/markdown"]
    assert r"\input{x}" not in data["text/latex"]
    assert "$y$" not in data["text/latex"].replace(r"\$", "")
    assert EVIL in data["text/plain"]


def test_a_reading_never_widens_a_table_into_another_column(shell):
    made = load_record(record())
    lines = [line for line in shown(shell, made)["text/markdown"].splitlines() if line.startswith("|")]
    assert len({line.replace(r"\|", "").count("|") for line in lines}) == 1


def test_unloading_takes_everything_back(shell):
    made = load_record(record())
    shell.run_line_magic("unload_ext", "diagnb")
    assert shell.find_line_magic("diagnb") is None
    assert not any(type(c).__name__ == "Diagnb" for c in shell.configurables)
    assert "text/latex" not in shown(shell, made)
    shell.run_line_magic("load_ext", "diagnb")
    assert shell.find_line_magic("diagnb") is not None
    assert "text/latex" in shown(shell, made)


def test_the_starter_notebooks_cell_says_nothing_when_it_is_run_again(shell):
    from diagnb.shipped import templates_directory

    book = json.loads((templates_directory() / "notebooks" / "circuit-test.ipynb").read_text(encoding="utf-8"))
    (cell,) = [c for c in book["cells"] if c["cell_type"] == "code"]
    loading = "".join(cell["source"]).replace("%diagnb form", "")
    for _ in range(2):
        with capture_output() as captured:
            assert shell.run_cell(loading).success
        assert captured.stdout == captured.stderr == ""
    assert "diagnb" in shell.magics_manager.magics["line"]
