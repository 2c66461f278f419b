// Undo and redo of the whole record by key, and a scanner that types like a keyboard.
// Ctrl+Z and Ctrl+Y belong to the text field while something is being typed in it; everywhere else they turn the record
// back and forth. What a scanner types while a button has the focus must press nothing.

const QUICK_MS = 45;                  // between two characters of a scanner; fingers take longer
const PAUSE_MS = 400;                 // ends a stretch of typing; a busy browser may hold a scanner up by less
const LEAST = 5;                      // characters of a scan

function render({ model, el }) {
  el.classList.add("dn-shield");
  let root = null;
  let edited = null;                  // the field that was typed in since it got the focus
  let last = -1000;
  let run = 0;
  let typed = "";
  let since = 0;

  const takesText = (node) => Boolean(node && node.matches && node.matches("input, textarea, select"));
  const onInput = (event) => { edited = event.target; };
  const onFocus = (event) => { if (event.target !== edited) edited = null; };

  const onKey = (event) => {
    const key = event.key.length === 1 ? event.key.toLowerCase() : event.key;
    if ((event.ctrlKey || event.metaKey) && !event.altKey && (key === "z" || key === "y")) {
      if (event.target === edited && takesText(event.target)) return;
      event.preventDefault();
      event.stopPropagation();
      model.send({ k: key === "z" && !event.shiftKey ? "undo" : "redo" });
      return;
    }
    if (event.ctrlKey || event.metaKey || event.altKey) return;
    const quick = event.timeStamp - last < QUICK_MS;
    const goesOn = event.timeStamp - last < PAUSE_MS;
    const ends = event.key === "Enter" || event.key === "Tab";
    if (event.key.length === 1) {
      run = quick ? run + 1 : 1;
      last = event.timeStamp;
    }
    if (!takesText(event.target) && quick && run >= 3 && (ends || event.key === " ")) {
      event.preventDefault();
      event.stopPropagation();
    }
    if (event.key.length === 1) {
      if (!goesOn || !typed) { typed = ""; since = event.timeStamp; }
      typed += event.key;
    }
    if (ends) {
      // Nothing that a scanner read is lost without a word.
      const isScan = goesOn && typed.length >= LEAST && (last - since) / (typed.length - 1) < QUICK_MS;
      if (!takesText(event.target) && isScan) model.send({ k: "stray", text: typed.trim() });
      run = 0;
      typed = "";
    }
  };

  // With the focus nowhere the form's own listener hears nothing.
  const onPage = (event) => {
    const nowhere = event.target === document.body || event.target === document.documentElement;
    if (nowhere && root && root.offsetParent) onKey(event);
  };

  function settle(tries) {
    root = el.closest(".dn-root");
    if (!root || !el.isConnected) {
      root = null;
      if (tries) setTimeout(() => settle(tries - 1), 50);
      return;
    }
    root.addEventListener("input", onInput, true);
    root.addEventListener("focusin", onFocus, true);
    root.addEventListener("keydown", onKey, true);
    document.addEventListener("keydown", onPage, true);
  }

  settle(100);
  return () => {
    document.removeEventListener("keydown", onPage, true);
    if (!root) return;
    root.removeEventListener("input", onInput, true);
    root.removeEventListener("focusin", onFocus, true);
    root.removeEventListener("keydown", onKey, true);
  };
}

export default { render };
