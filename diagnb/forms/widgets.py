"""The live parts of the form: entry grid, signature pad, buttons for files, keys, shield. The only file that knows anywidget.

Each holds what it shows and nothing else; what is true stands in the model. Their JavaScript and style sheet
are files beside this one and fetch nothing from a network.
"""

from __future__ import annotations

import threading
from collections.abc import Callable, Iterable, Mapping
from pathlib import Path
from typing import Any

import anywidget
import traitlets

_STATIC = Path(__file__).parent / "static"

_LARGEST = 64 * 2**20

Row = Mapping[str, Any]
Acknowledge = Callable[[int], None]
Edit = Callable[["EntryGrid", str, str, Acknowledge], "Iterable[Row] | None"]
"""``(grid, key, text, acknowledge)`` → the rows that changed; None when they follow by :meth:`EntryGrid.show`.

Calls ``acknowledge`` with the number of the journal entry as soon as that is on disk; raises what is to be shown
when it could not be kept.
"""


class EntryGrid(anywidget.AnyWidget):
    """The typed fields of one step as one model, whatever their number.

    ``rows`` are plain mappings (kinds ``heading``, ``note``, ``text``, ``lines``, ``choice``, ``reading``,
    ``result``, ``action``); see ``static/grid.js``. Each key press calls ``on_edit``; the browser is told "saved" only
    after it has returned, which the caller does after the entry is on disk.
    """

    _esm = _STATIC / "grid.js"
    sheet = traitlets.Unicode().tag(sync=True)
    title = traitlets.Unicode().tag(sync=True)
    locked = traitlets.Unicode().tag(sync=True)
    rows = traitlets.List(traitlets.Dict()).tag(sync=True)

    def __init__(
        self,
        *,
        on_edit: Edit,
        on_act: Callable[[str], None] | None = None,
        on_leave: Callable[[], None] | None = None,
        **state: Any,
    ) -> None:
        super().__init__(**state)
        self._edit = on_edit
        self._leave = on_leave
        self._act = on_act
        self._in_turn = threading.RLock()
        self._latest: dict[tuple[object, str], int] = {}
        self.on_msg(self._received)

    def _received(self, _widget: Any, message: Any, _buffers: Any) -> None:
        if not isinstance(message, dict):
            return
        if message.get("k") == "act" and isinstance(message.get("key"), str) and self._act is not None:
            self._act(message["key"])
            return
        if message.get("k") == "left" and self._leave is not None:
            self._leave()
            return
        if message.get("k") != "edit":
            return
        key, text, view, seq = message.get("key"), message.get("text"), message.get("view"), message.get("seq")
        if not isinstance(key, str) or not isinstance(text, str) or not isinstance(seq, int):
            return
        with self._in_turn:
            if seq >= self._latest.get((view, key), seq):
                self._latest[view, key] = seq
                self._edited(key, text, view, seq)

    def _edited(self, key: str, text: str, view: object, seq: int) -> None:
        """One text of one field; the caller sees to it that no earlier text follows a later one.

        A kernel hands messages to several threads and may overtake one by another, so their order proves nothing.
        """

        def acknowledge(version: int) -> None:
            own = [dict(row) | {"text": text, "version": version} for row in self.rows if row.get("key") == key]
            self.show(own, ack={"view": view, "key": key, "seq": seq, "version": version})
            on_disk.append(version)

        on_disk: list[int] = []
        try:
            rows = self._edit(self, key, text, acknowledge)
        except Exception as error:  # noqa: BLE001 - whatever it was, the browser keeps its copy and says why
            reason = str(error) or type(error).__name__
            self.send({"k": "refused", "view": view, "key": key, "seq": seq, "reason": reason})
            return
        if rows is not None:
            self.show(rows, worked=max(on_disk, default=0))

    def show(self, rows: Iterable[Row], *, ack: Mapping[str, Any] | None = None, worked: int = 0) -> None:
        """Send only these rows to the browser, and keep them for a view that opens later.

        ``worked``: results are those of all entries up to this number of the journal, so none of them is out of date.
        """
        changed = [dict(row) for row in rows]
        place = {row.get("key"): index for index, row in enumerate(self.rows)}
        for row in changed:
            index = place.get(row["key"])
            if index is not None:
                self.rows[index] = row  # in place: the browser gets the rows in the message below
        self.send({"k": "rows", "rows": changed, "ack": dict(ack) if ack else None, "worked": worked})

    def focus_on(self, key: str = "", *, top: str = "") -> None:
        """Put the cursor into this field, or into the first one; ``top`` is the test whose heading is to be in sight."""
        self.send({"k": "focus", "key": key} | ({"top": top} if top else {}))

    def forget_copies(self) -> None:
        """Remove this sheet's entries from the browser (after signing, on a shared tablet)."""
        self.send({"k": "forget"})


class SignaturePad(anywidget.AnyWidget):
    """A drawn signature: strokes of points ``[x, y]`` on a field of 900 × 260, y downwards."""

    _esm = _STATIC / "signature.js"
    strokes: Any = traitlets.List().tag(sync=True)
    locked = traitlets.Bool(False).tag(sync=True)


class SecretField(anywidget.AnyWidget):
    """A field for a passphrase. ``secret`` is a plain attribute: widget state, and so a notebook, never holds it."""

    _esm = _STATIC / "secret.js"
    label = traitlets.Unicode("Passphrase of the key").tag(sync=True)

    def __init__(self, **state: Any) -> None:
        super().__init__(**state)
        self.secret = ""
        self.on_msg(self._received)

    def _received(self, _widget: Any, message: Any, _buffers: Any) -> None:
        if isinstance(message, dict) and message.get("k") == "secret" and isinstance(message.get("text"), str):
            self.secret = message["text"]

    def reveal(self, secret: str, note: str) -> None:
        """Take a new passphrase and show it once, with a note above it."""
        self.secret = secret
        self.send({"k": "show", "text": secret, "note": note})

    def take(self) -> str:
        """The passphrase; afterwards neither this field nor the browser holds it."""
        taken, self.secret = self.secret, ""
        self.send({"k": "clear"})
        return taken


class SaveFileButton(anywidget.AnyWidget):
    """A button that hands a file to the browser's download, also where files are not served (a code-free page).

    ``provide`` is called at the click and returns (file name, media type, content).
    """

    _esm = _STATIC / "save_file.js"
    label = traitlets.Unicode("Save the file").tag(sync=True)
    ready = traitlets.Bool(False).tag(sync=True)

    def __init__(self, *, provide: Callable[[], tuple[str, str, bytes]], **state: Any) -> None:
        super().__init__(**state)
        self._provide = provide
        self.on_msg(self._received)

    def _received(self, _widget: Any, message: Any, _buffers: Any) -> None:
        if not isinstance(message, dict) or message.get("k") != "want":
            return
        try:
            name, mime, content = self._provide()
        except Exception as error:  # noqa: BLE001 - said beside the button
            self.send({"k": "fault", "text": f"The file can't be read: {error}"})
            return
        self.send({"k": "file", "name": name, "mime": mime}, buffers=[content])


class AttachButton(anywidget.AnyWidget):
    """A button that takes files of the device; they come in pieces.

    ``keep`` gets (file name, content) of a whole file and returns what is said of it; it raises what is to be shown
    when it could not be kept.
    """

    _esm = _STATIC / "attach.js"
    label = traitlets.Unicode("Attach").tag(sync=True)
    accept = traitlets.Unicode("").tag(sync=True)
    locked = traitlets.Unicode("").tag(sync=True)

    def __init__(self, *, keep: Callable[[str, bytes], str], **state: Any) -> None:
        super().__init__(**state)
        self._keep = keep
        self._pieces: dict[str, list[bytes]] = {}
        self.on_msg(self._received)

    def _received(self, _widget: Any, message: Any, buffers: Any) -> None:
        if not isinstance(message, dict) or message.get("k") != "piece" or not buffers:
            return
        file, name, at, of = (message.get(key) for key in ("file", "name", "at", "of"))
        if not isinstance(file, str) or not isinstance(name, str) or not isinstance(at, int) or not isinstance(of, int):
            return
        if at == 0:
            self._pieces = {file: []}  # what was broken off before is given up
        pieces = self._pieces.get(file)
        if pieces is None or at != len(pieces) or sum(map(len, pieces)) > _LARGEST:
            self._pieces.pop(file, None)
            self.send(
                {
                    "k": "said",
                    "file": file,
                    "bad": True,
                    "text": f"{name} came incomplete or is too large; attach it again.",
                }
            )
            return
        pieces.append(bytes(buffers[0]))
        if len(pieces) < of:
            self.send({"k": "got", "file": file, "at": at})
            return
        content = b"".join(self._pieces.pop(file))
        try:
            said, bad = self._keep(name, content), False
        except Exception as error:  # noqa: BLE001 - said beside the button
            said, bad = f"{name} is not attached: {error or type(error).__name__}", True
        self.send({"k": "said", "file": file, "bad": bad, "text": said})


class TurnKeys(anywidget.AnyWidget):
    """Ctrl+Z and Ctrl+Y for the whole record, outside text being edited; keeps a scanner from pressing buttons.

    ``turn`` is called with True to redo, False to undo; ``stray`` with what a scanner typed where no field took it.
    """

    _esm = _STATIC / "keys.js"

    def __init__(self, *, turn: Callable[[bool], None], stray: Callable[[str], None], **state: Any) -> None:
        super().__init__(**state)
        self._turn = turn
        self._stray = stray
        self.on_msg(self._received)

    def _received(self, _widget: Any, message: Any, _buffers: Any) -> None:
        if isinstance(message, dict) and message.get("k") in ("undo", "redo"):
            self._turn(message["k"] == "redo")
        if isinstance(message, dict) and message.get("k") == "stray" and isinstance(message.get("text"), str):
            self._stray(message["text"])


class Shield(anywidget.AnyWidget):
    """Keeps the notebook's key commands (``d d``, Shift+Enter, …) out of the form, and carries the style sheet.

    ``look`` is called with the classes of the look that this browser was told to keep.
    """

    _esm = _STATIC / "shield.js"
    _css = _STATIC / "sheet.css"

    def __init__(self, *, look: Callable[[list[str]], None] = lambda _names: None, **state: Any) -> None:
        super().__init__(**state)
        self._look = look
        self._answered = threading.Event()
        self.on_msg(self._received)

    def _received(self, _widget: Any, message: Any, _buffers: Any) -> None:
        if not isinstance(message, dict):
            return
        if message.get("k") == "seen":
            self._answered.set()
        elif message.get("k") == "look" and isinstance(message.get("names"), list):
            self._look([str(name) for name in message["names"]])

    def is_seen(self, *, seconds: float) -> bool:
        """Whether a browser shows the form: it answers within ``seconds``. Not to be called where messages are received."""
        self._answered.clear()
        self.send({"k": "seen"})
        return self._answered.wait(seconds)

    def keep_look(self, names: Iterable[str]) -> None:
        """Let the browser keep these classes of the form's look for its next sheet."""
        self.send({"k": "look", "names": list(names)})

    def scroll_to_top(self) -> None:
        """Show the top of the form."""
        self.send({"k": "top"})

    def show_place(self, name: str, *, focus: bool = False) -> None:
        """Bring the part of the form with this class into view, with the ``focus`` too when that is wanted."""
        self.send({"k": "place", "name": name, "focus": focus})
