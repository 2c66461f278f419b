// The entry grid: every typed field of one step, readings with their verdicts among them.
//
// A row is {kind, key, label, ...}. Kinds: "heading", "note", "text", "lines", "choice", "reading", "result",
// "action" (a sentence with a button beside it, which sends {k: "act", key}), "buttons" (several of them, [[key, text], …]),
// "picture" (an SVG made by the kernel, with a sentence). Neighbours with the same "block" stand side by side in one box.
// "next" names the field that Enter goes to.
// Each key press goes to a copy in this browser first, then to the kernel, which writes its journal and answers
// {k: "rows", ack: {view, key, seq, version}, rows: [...]}. Only that answer turns "saving" into "saved" and
// removes the browser's copy. Results follow later: "worked" in a message says up to which entry they hold, and until then those
// of the same test ("of") are drawn as being worked out, because they are not yet the results of what stands in the field.

const ANSWER_WITHIN_MS = 2500;
const BEHIND_MS = 8000;               // a kernel that was heard of within this time is at work, not away
const TRAIL = 60;                     // how many unacknowledged texts of a field are remembered

function element(name, attributes = {}, ...children) {
  const node = document.createElement(name);
  for (const [key, value] of Object.entries(attributes)) {
    if (value === null || value === undefined || value === false) continue;
    if (key === "text") node.textContent = value;
    else if (key in node && key !== "list" && !key.includes("-")) node[key] = value;
    else node.setAttribute(key, value === true ? "" : value);
  }
  node.append(...children);
  return node;
}

// The copies of what this browser typed and the kernel hasn't acknowledged yet. Each is held twice: in localStorage,
// which is there after a reload at any moment, and in a database, because a browser writes localStorage to the disk only
// after seconds or minutes and a killed one loses it. A dropped copy leaves its stamp in the database, so that an older
// one in localStorage is known for what it is.
function copies(sheet) {
  const prefix = `diagnb:${sheet}:`;
  const guarded = (action, otherwise) => { try { return action(); } catch { return otherwise; } };
  const read = (name) => guarded(() => JSON.parse(localStorage.getItem(name)), null);
  const touched = new Set();
  let last = 0;
  const stamp = () => (last = Math.max(Date.now(), last + 1));
  const database = new Promise((resolve) => {
    setTimeout(() => resolve(null), 3000); // none to be had (a private window): localStorage alone has to do
    guarded(() => {
      const asked = indexedDB.open("diagnb", 1);
      asked.onupgradeneeded = () => asked.result.createObjectStore("copies");
      asked.onsuccess = () => resolve(asked.result);
      asked.onerror = () => resolve(null);
    });
  });
  const within = (mode, durability, action) => database.then((opened) => new Promise((resolve) => {
    if (!opened) { resolve(null); return; }
    guarded(() => {
      const work = opened.transaction("copies", mode, { durability });
      const asked = action(work.objectStore("copies"));
      work.oncomplete = () => resolve(asked);
      work.onabort = () => resolve(null);
      if (mode === "readwrite") work.commit();
      return true;
    }) || resolve(null);
  }));
  const every = IDBKeyRange.bound(prefix, prefix + "\uffff");
  return {
    read: (key) => read(prefix + key),
    // Resolves to whether the copy is somewhere that outlives this page.
    keep: (key, copy) => {
      const whole = { ...copy, stamp: stamp() };
      touched.add(key);
      const here = guarded(() => { localStorage.setItem(prefix + key, JSON.stringify(whole)); return true; }, false);
      return within("readwrite", "strict", (store) => store.put(whole, prefix + key)).then((done) => Boolean(done) || here);
    },
    drop: (key) => {
      touched.add(key);
      guarded(() => localStorage.removeItem(prefix + key));
      within("readwrite", "relaxed", (store) => store.put({ stamp: stamp() }, prefix + key));
    },
    clear: () => {
      guarded(() => Object.keys(localStorage).filter((k) => k.startsWith(prefix)).forEach((k) => localStorage.removeItem(k)));
      within("readwrite", "relaxed", (store) => store.delete(every));
    },
    // Bring localStorage up to the database, after this browser was killed. Of the fields that are the caller's only, and
    // not of those typed in meanwhile: of them the database answers with what was.
    load: async (own) => {
      const found = await within("readonly", "relaxed", (store) => [store.getAllKeys(every), store.getAll(every)]);
      if (!found) return;
      const [names, copies] = found.map((asked) => asked.result);
      names.forEach((name, index) => {
        const copy = copies[index];
        const here = read(name);
        const key = name.slice(prefix.length);
        last = Math.max(last, copy.stamp);
        if (touched.has(key) || !own(key)) return;
        if (here && (here.stamp === undefined || here.stamp > copy.stamp)) return;
        guarded(() => (copy.text === undefined ? localStorage.removeItem(name) : localStorage.setItem(name, JSON.stringify(copy))));
      });
    },
  };
}

function render({ model, el }) {
  const view = Math.random().toString(36).slice(2);
  const store = copies(model.get("sheet"));
  const pending = new Map();          // key -> {seq, text, since}
  const trails = new Map();           // key -> the texts sent and not yet acknowledged
  const heldBack = new Map();         // key -> a copy that was not taken over: the kernel has something newer
  let tooLate = [];                   // what was typed while the report was being signed
  let takenOver = 0;
  const parts = new Map();            // key -> the nodes of a row that change
  const awaited = new Map();          // test -> the entry that its results have to hold, Infinity while that has no number yet
  let sequence = 0;
  let heard = 0;                      // when the kernel last answered
  let timer = null;
  let silence = null;

  const table = element("div", { className: "dn-grid", role: "group" });
  const bar = element("div", { className: "dn-bar", role: "status", "aria-live": "polite" });
  const spoken = element("div", { className: "dn-spoken", role: "status", "aria-live": "polite" });
  el.classList.add("dn-grid-host");
  el.replaceChildren(table, bar, spoken);

  const identity = (key) => `dn-${view}-${key.replace(/[^A-Za-z0-9]/g, "-")}`;
  const inputs = () => [...table.querySelectorAll("[data-entry]")].filter((n) => !n.disabled);
  const locked = () => Boolean(model.get("locked"));

  // ---- sending ------------------------------------------------------------------------------------------

  function edit(row, text) {
    const seq = ++sequence;
    trails.set(row.key, [...(trails.get(row.key) || []), text].slice(-TRAIL));
    heldBack.delete(row.key);
    const item = { seq, text, since: Date.now(), kept: false, refused: "" };
    pending.set(row.key, item);
    store.keep(row.key, { text, base: row.version || 0, trail: trails.get(row.key) }).then((done) => { item.kept = done; });
    mark(row.key);
    if (row.of) {
      awaited.set(row.of, Infinity);
      showAwaited(row.of, row.key);
    }
    transmit(row.key);
    tell();
  }

  // The results of a test, and what is said at the field that was typed in, while they lag behind the text.
  function showAwaited(test, typed = "") {
    const waits = awaited.has(test);
    for (const [key, { row, line, message }] of parts) {
      if (row.of !== test) continue;
      if (row.kind === "result" || row.kind === "picture") {
        line.classList.toggle("dn-awaited", waits);
        line.setAttribute("aria-busy", String(waits));
      } else if (message && (!waits || key === typed)) message.classList.toggle("dn-awaited", waits);
    }
  }

  function worked(number) {
    for (const [test, needed] of awaited) {
      if (needed > number) continue;
      awaited.delete(test);
      showAwaited(test);
    }
  }

  function transmit(key) {
    const item = pending.get(key);
    if (!item) return;
    try { model.send({ k: "edit", view, key, text: item.text, seq: item.seq }); } catch { /* kept in this browser */ }
  }

  function tell() {
    clearTimeout(timer);
    const waiting = [...pending.values()];
    const late = waiting.filter((item) => item.refused || Date.now() - item.since > ANSWER_WITHIN_MS);
    const refused = waiting.map((item) => item.refused).find(Boolean);
    const entries = (number, one, many) => (number === 1 ? `1 entry ${one}` : `${number} entries ${many}`);
    if (locked()) {
      const missed = tooLate.map(({ label, text }) => ` ✕ Not in the record, typed too late: “${text}” in ${label}.`);
      const held = heldBack.size ? ` ✕ ${entries(heldBack.size, "of this browser is", "of this browser are")} not in this sheet; see the field.` : "";
      bar.dataset.state = "locked";
      bar.textContent = model.get("locked") + missed.join("") + held;
    } else if (late.length) {
      const where = late.every((item) => item.kept) ? "kept in this browser only" : "held on this page only; don't close it";
      bar.dataset.state = "browser";
      const isBehind = Date.now() - heard < BEHIND_MS;
      const again = el.closest(".jp-NotebookPanel") ? "run the cell again" : "open this page again";
      bar.textContent = refused
        ? `✕ ${entries(late.length, "is", "are")} not saved: ${refused}. ${late.length === 1 ? "It is" : "They are"} ${where}, and tried again by itself.`
        : isBehind
          ? `… ${entries(late.length, "is", "are")} ${where} so far. The kernel is still at work on earlier ones; wait a moment.`
          : `✕ ${entries(late.length, "is", "are")} ${where}. The kernel doesn't answer; ${again} and they are taken over.`;
      for (const key of pending.keys()) mark(key);
    } else if (waiting.length) {
      bar.dataset.state = "saving";
      bar.textContent = "… Saving";
    } else {
      bar.dataset.state = "saved";
      const taken = takenOver ? `; ${takenOver === 1 ? "1 was" : `${takenOver} were`} taken over from this browser` : "";
      bar.textContent = `✓ All entries saved${taken}`;
    }
    if (waiting.length && !locked()) timer = setTimeout(() => { for (const key of pending.keys()) transmit(key); tell(); }, 1500);
  }

  // ---- drawing ------------------------------------------------------------------------------------------

  function mark(key) {
    const nodes = parts.get(key);
    if (!nodes || !nodes.saved) return;
    const item = pending.get(key);
    const late = item && (item.refused || Date.now() - item.since > ANSWER_WITHIN_MS);
    const blank = nodes.row.needed && !String(nodes.row.text || "").trim();
    const kept = !nodes.row.version ? "" : nodes.row.fault ? "to mend" : blank ? "" : "saved";
    nodes.saved.dataset.state = item ? (late ? "browser" : "saving") : kept || "empty";
    nodes.saved.textContent = item ? (item.refused ? "not saved" : late ? "in this browser" : "saving") : kept;
  }

  function paint(row) {
    const nodes = parts.get(row.key);
    if (!nodes) return;
    nodes.row = row;
    if (nodes.caption) nodes.caption.textContent = row.label;
    if (nodes.legend) nodes.legend.textContent = row.block_label;
    if (nodes.input) nodes.input.disabled = Boolean(locked() || row.disabled);
    for (const button of nodes.buttons || []) button.setAttribute("aria-label", `${button.textContent}: ${row.label}`);
    if (row.kind === "picture") {
      if (nodes.picture.dataset.drawn !== row.picture) { nodes.picture.innerHTML = row.picture || ""; nodes.picture.dataset.drawn = row.picture; }
      const scrolls = nodes.picture.querySelector("svg"); // by key too
      for (const [name, value] of [["tabindex", "0"], ["role", "group"], ["aria-label", row.label]]) {
        if (scrolls) nodes.picture.setAttribute(name, value); else nodes.picture.removeAttribute(name);
      }
      nodes.said.textContent = row.said || "";
      nodes.line.dataset.fails = String(Boolean(row.fails));
    }
    if (heldBack.get(row.key) === row.text) { heldBack.delete(row.key); store.drop(row.key); }
    if (nodes.input && !pending.has(row.key) && nodes.input.value !== row.text) nodes.input.value = row.text;
    if (nodes.message) {
      const held = heldBack.get(row.key);
      nodes.message.textContent = held !== undefined ? `This browser still holds “${held}”.` : row.fault || row.caution || row.back || row.hint || "";
      nodes.message.dataset.state = held !== undefined ? "caution" : row.fault ? "fault" : row.caution ? "caution" : row.back ? "back" : "hint";
      nodes.input.setAttribute("aria-invalid", row.fault ? "true" : "false");
      nodes.offer = held === undefined ? row.fix : locked() ? null : { label: `Use ${held || "blank"}`, text: held };
      nodes.fix.hidden = !nodes.offer;
      nodes.fix.textContent = nodes.offer ? nodes.offer.label : "";
      nodes.deny.hidden = !row.deny || held !== undefined || Boolean(locked());
      nodes.deny.textContent = row.deny ? row.deny.label : "";
    }
    if (row.kind === "result") {
      nodes.line.dataset.verdict = row.verdict || "none";
      nodes.line.classList.toggle("dn-plain", Boolean(row.plain));
      nodes.line.classList.toggle("dn-compact", Boolean(row.compact));
      nodes.verdict.textContent = row.verdict ? row.said : "";
      nodes.value.textContent = row.value || "";
      nodes.line.setAttribute("aria-label", row.label);
      nodes.limit.textContent = [row.limit, row.expected].filter(Boolean).join("; ");
      nodes.advice.textContent = row.advice || row.reason || "";
      nodes.advice.title = nodes.advice.textContent;
      nodes.picture.innerHTML = row.picture || "";
    }
    mark(row.key);
  }

  function entry(row) {
    const id = identity(row.key);
    const shared = { id, disabled: locked() || row.disabled || false, "data-entry": row.key, "aria-describedby": `${id}-says` };
    let input;
    if (row.kind === "choice") {
      input = element("select", shared, ...row.options.map(([value, text]) => element("option", { value, text })));
    } else if (row.kind === "lines") {
      input = element("textarea", { ...shared, rows: row.height || 4, spellcheck: true });
    } else {
      input = element("input", {
        ...shared, type: "text", autocomplete: "off", spellcheck: false, autocapitalize: "off",
        inputmode: row.kind === "reading" ? "decimal" : row.keyboard || null, enterkeyhint: "next",
      });
    }
    input.value = row.text;
    input.addEventListener(row.kind === "choice" ? "change" : "input", () => edit(parts.get(row.key).row, input.value));
    const caption = element("span", { text: row.label });
    const label = element("label", { htmlFor: id }, caption);
    if (row.unit) label.append(element("span", { className: "dn-unit", text: ` (${row.unit})` }));
    if (row.needed) label.append(element("span", { className: "dn-needed", text: " needed" }));
    if (row.detail) label.append(element("span", { className: "dn-detail", text: row.detail }));
    const message = element("span", { id: `${id}-says`, className: "dn-message" });
    const saved = element("span", { className: "dn-saved" });
    const fix = element("button", { type: "button", className: "dn-fix", hidden: true });
    fix.addEventListener("click", () => {
      const wanted = parts.get(row.key).offer;
      if (!wanted) return;
      input.value = wanted.text;
      edit(parts.get(row.key).row, wanted.text);
      input.focus();
    });
    // "No, it is 3.30 V": ends a question; what it does stands in the row.
    const deny = element("button", { type: "button", className: "dn-deny", hidden: true });
    deny.addEventListener("click", () => {
      const { deny: wanted } = parts.get(row.key).row;
      if (!wanted) return;
      input.focus();
      model.send({ k: "act", view, key: wanted.act });
    });
    const line = element("div", { className: `dn-line dn-${row.kind}` }, label, input, element("div", { className: "dn-says" }, message, fix, deny), saved);
    parts.set(row.key, { row, input, message, saved, fix, deny, line, caption });
    return line;
  }

  function result(row) {
    const caption = element("span", { className: "dn-name", text: row.label });
    const verdict = element("span", { className: "dn-verdict" });
    const value = element("span", { className: "dn-value" });
    const limit = element("span", { className: "dn-limit" });
    const advice = element("span", { className: "dn-advice" });
    const picture = element("div", { className: "dn-picture" });
    const line = element("div", { className: "dn-line dn-result", role: "group", "aria-label": row.label },
      caption, verdict, value, picture, limit, advice);
    parts.set(row.key, { row, line, verdict, value, limit, advice, picture, caption });
    return line;
  }

  function action(row) {
    const button = element("button", { type: "button", className: "dn-small", text: row.button, disabled: row.locks && locked() });
    if (row.label) button.setAttribute("aria-label", `${row.button}: ${row.label}`);
    button.addEventListener("click", () => model.send({ k: "act", view, key: row.key }));
    return element("div", { className: "dn-line dn-action", "data-tone": row.tone || "plain" },
      element("span", { className: "dn-action-text" }, row.mark ? element("b", { text: `${row.mark} ` }) : "", row.label,
        row.detail ? element("span", { className: "dn-detail", text: row.detail }) : ""), button);
  }

  function buttons(row) {
    const made = row.buttons.map(([key, text]) => {
      const button = element("button", { type: "button", className: "dn-small", text, disabled: locked() });
      button.addEventListener("click", () => model.send({ k: "act", view, key }));
      return button;
    });
    const line = element("div", { className: "dn-line dn-some" }, ...made);
    parts.set(row.key, { row, line, buttons: made });
    return line;
  }

  function picture(row) {
    const drawn = element("div", { className: "dn-drawing" });
    const said = element("p", { className: "dn-said" });
    const line = element("div", { className: "dn-line dn-figure" }, drawn, said);
    parts.set(row.key, { row, line, picture: drawn, said });
    return line;
  }

  function made(row) {
    if (row.kind === "heading") {
      return element("h3", { className: "dn-heading", tabIndex: -1 }, row.label, row.detail ? element("span", { className: "dn-detail", text: row.detail }) : "");
    }
    if (row.kind === "note") return element("p", { className: "dn-note", "data-tone": row.tone || "plain", role: row.tone === "stop" ? "alert" : null, text: row.label });
    if (row.kind === "action") return action(row);
    if (row.kind === "buttons") return buttons(row);
    if (row.kind === "picture") return picture(row);
    return row.kind === "result" ? result(row) : entry(row);
  }

  // Rows one after the other; those of one block side by side in a box with its name.
  function placed(rows) {
    const found = [];
    let box = null;
    for (const row of rows) {
      const node = made(row);
      if (row.of) node.dataset.of = row.of;
      if (!row.block) { box = null; found.push(node); continue; }
      if (!box || box.dataset.block !== row.block) {
        box = element("fieldset", { className: "dn-block", "data-block": row.block }, element("legend", { text: row.block_label }));
        found.push(box);
      }
      box.append(node);
      if (parts.has(row.key)) parts.get(row.key).legend = box.firstChild;
    }
    return found;
  }

  function draw() {
    const focused = document.activeElement && document.activeElement.dataset ? document.activeElement.dataset.entry : null;
    const caret = focused && document.activeElement.selectionStart;
    const typed = new Map([...pending].map(([key, item]) => [key, item.text]));
    parts.clear();
    spoken.textContent = ""; // what was said of the rows before does not hold of these
    table.setAttribute("aria-label", model.get("title"));
    table.replaceChildren(...placed(model.get("rows")));
    for (const test of awaited.keys()) showAwaited(test);
    for (const row of model.get("rows")) {
      if (!parts.has(row.key)) continue;
      paint(row);
      if (typed.has(row.key)) parts.get(row.key).input.value = typed.get(row.key);
    }
    if (focused && parts.has(focused)) {
      const node = parts.get(focused).input;
      node.focus({ preventScroll: true });
      if (caret !== null && node.setSelectionRange) { try { node.setSelectionRange(caret, caret); } catch { /* a select has no caret */ } }
    }
    takeOver();
    tell();
  }

  // What an earlier view of this sheet left in the browser: sent again when the kernel has nothing newer.
  function takeOver() {
    for (const [key, nodes] of parts) {
      if (!nodes.input || pending.has(key)) continue;
      const copy = store.read(key);
      if (!copy) continue;
      if (copy.text === nodes.row.text) { store.drop(key); heldBack.delete(key); continue; }
      // What the kernel has may be an earlier text of this same typing whose acknowledgement never came.
      if (!locked() && ((nodes.row.version || 0) <= copy.base || (copy.trail || []).includes(nodes.row.text))) {
        takenOver += 1;
        nodes.input.value = copy.text;
        edit(nodes.row, copy.text);
      } else {
        heldBack.set(key, copy.text);
        paint(nodes.row);
      }
    }
  }

  // ---- keys ---------------------------------------------------------------------------------------------

  // From a reading Enter goes to the next reading, over the list of what it was taken with.
  function following(all, node) {
    const { row } = parts.get(node.dataset.entry);
    const named = row.next && all.find((one) => one.dataset.entry === row.next);
    const after = all.slice(all.indexOf(node) + 1);
    if (named || row.kind !== "reading") return named || after[0];
    const own = after.filter((one) => !one.dataset.entry.endsWith(".instrument"));
    const readings = own.filter((one) => { const other = parts.get(one.dataset.entry).row; return other.kind === "reading" && other.of === row.of; });
    return readings[0] || own[0] || after[0];
  }

  function move(node, by, skips = false) {
    const all = inputs();
    const next = by > 0 && skips ? following(all, node) : all[all.indexOf(node) + by];
    if (!next) return;
    next.focus();
    if (next.select) next.select();
  }

  // A scanner types like a keyboard, only faster, and ends with Enter or Tab, some with Enter twice. All of it belongs to
  // the one field in focus; then the next field has its turn.
  const QUICK_MS = 45;                  // between two characters on the average
  const PAUSE_MS = 400;                 // ends a stretch of typing; a busy browser may hold a scanner up by less
  const LEAST = 5;                      // characters of a scan
  let stretch = { node: null, text: "", before: "", since: 0, last: -1000 };
  let scannedAt = -1000;

  function typed(node, event) {
    const goesOn = stretch.node === node && event.timeStamp - stretch.last < PAUSE_MS;
    if (!goesOn) stretch = { node, text: "", before: node.value, since: event.timeStamp, last: 0 };
    stretch.text += event.key;
    stretch.last = event.timeStamp;
  }

  function isScan(node, now) {
    const { text, since, last } = stretch;
    return stretch.node === node && text.length >= LEAST && now - last < PAUSE_MS && (last - since) / (text.length - 1) < QUICK_MS;
  }

  function tidy(node) {
    const clean = node.value.trim();
    if (node.tagName !== "INPUT" || clean === node.value) return;
    node.value = clean;
    edit(parts.get(node.dataset.entry).row, clean);
  }

  table.addEventListener("focusout", (event) => {
    const node = event.target;
    if (!node.isConnected || !node.dataset || node.disabled || !parts.has(node.dataset.entry)) return;
    tidy(node);
    if (!locked()) model.send({ k: "left", view, key: node.dataset.entry });
  });

  table.addEventListener("keydown", (event) => {
    const node = event.target;
    event.stopPropagation();
    if (!node.dataset || !node.dataset.entry) return;
    if (event.key.length === 1) {
      typed(node, event);
      scannedAt = -1000;
    } else if (event.key === "Backspace" || event.key === "Delete") {
      stretch.node = null; // no scanner corrects itself
    }
    const scanned = isScan(node, event.timeStamp);
    if ((event.key === "Enter" || event.key === "Tab") && event.timeStamp - scannedAt < 3 * QUICK_MS) {
      event.preventDefault(); // the second half of the scanner's line end
      return;
    }
    if (event.key === "Enter" || (event.key === "Tab" && scanned && !event.shiftKey && node.tagName === "INPUT")) {
      if (node.tagName === "TEXTAREA" && !event.shiftKey && !event.ctrlKey && !event.metaKey) return;
      event.preventDefault();
      if (scanned && node.tagName === "INPUT" && node.value.length === stretch.before.length + stretch.text.length && stretch.before) {
        node.value = stretch.text.trim(); // a scan replaces what stood in the field
        edit(parts.get(node.dataset.entry).row, node.value);
      }
      tidy(node);
      if (scanned) scannedAt = event.timeStamp;
      stretch.node = null;
      move(node, event.shiftKey ? -1 : 1, true);
    } else if (node.tagName === "INPUT" && (event.key === "ArrowDown" || event.key === "ArrowUp")) {
      event.preventDefault();
      move(node, event.key === "ArrowDown" ? 1 : -1, Boolean(parts.get(node.dataset.entry).row.next));
    } else if (event.key === "Escape") {
      node.blur();
    }
  });

  // ---- answers ------------------------------------------------------------------------------------------

  function onMessage(message) {
    heard = Date.now();
    if (message.k === "rows") {
      const ack = message.ack;
      if (ack && ack.view === view) {
        const item = pending.get(ack.key);
        if (item && ack.seq >= item.seq) {
          pending.delete(ack.key);
          const test = parts.has(ack.key) && parts.get(ack.key).row.of;
          const goesOn = [...pending.keys()].some((key) => parts.has(key) && parts.get(key).row.of === test);
          if (awaited.has(test) && !goesOn) awaited.set(test, ack.version);
          trails.delete(ack.key);
          store.drop(ack.key);
        } else if (item) {
          item.refused = "";
          store.keep(ack.key, { text: item.text, base: ack.version, trail: trails.get(ack.key) }).then((done) => { item.kept = done; });
        }
      }
      const before = ack && parts.get(ack.key);
      const known = model.get("rows");
      for (const row of message.rows) {
        const drawn = parts.get(row.key);
        if (drawn && (row.version || 0) < (drawn.row.version || 0)) continue; // overtaken by a later one
        const place = known.findIndex((old) => old.key === row.key);
        if (place >= 0) known[place] = row; // in place and without an event: for whoever draws these rows next
        paint(row);
      }
      if (before) mark(ack.key);
      if (message.worked) worked(message.worked);
      const say = message.rows.filter((row) => row.kind === "result" && row.verdict).map((row) => `${row.label}: ${row.said}`).join(". ");
      if (say && spoken.textContent !== say) spoken.textContent = say;
      clearTimeout(silence);
      silence = setTimeout(() => { spoken.textContent = ""; }, 5000);
      tell();
    } else if (message.k === "refused") {
      if (message.view === view && parts.has(message.key)) {
        const nodes = parts.get(message.key);
        nodes.message.textContent = message.reason;
        nodes.message.dataset.state = "fault";
        const item = pending.get(message.key);
        if (item) item.refused = message.reason;
        mark(message.key);
        tell();
      }
    } else if (message.k === "focus") {
      const target = message.key && parts.has(message.key) ? parts.get(message.key).input : inputs()[0];
      const top = message.top && [...table.querySelectorAll("[data-of]")].find((node) => node.dataset.of === message.top);
      setTimeout(() => {
        if (!target) return;
        target.focus({ preventScroll: Boolean(top) });
        if (top) top.scrollIntoView({ block: "start" }); // what is to be read before the first reading
      }, 30);
    } else if (message.k === "forget") {
      for (const [key, { text }] of pending) {
        const row = parts.has(key) && parts.get(key).row;
        if (row && row.text !== text) tooLate.push({ label: row.label, text });
      }
      pending.clear();
      worked(Infinity);
      heldBack.clear();
      store.clear();
      for (const { row } of [...parts.values()]) paint(row);
      tell();
    }
  }

  model.on("msg:custom", onMessage);
  model.on("change:rows", draw);
  model.on("change:locked", draw);
  draw();
  let alive = true;
  store.load((key) => parts.has(key)).then(() => { if (alive) { takeOver(); tell(); } });
  return () => {
    alive = false;
    clearTimeout(timer);
    clearTimeout(silence);
    model.off("msg:custom", onMessage);
    model.off("change:rows", draw);
    model.off("change:locked", draw);
  };
}

export default { render };
