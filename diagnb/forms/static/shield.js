// Keeps the notebook's own key commands out of the form: with a button or a list in focus, a double "d" would
// delete the form's cell. A click on something that takes no focus (the signature pad, a picture, a blank place) would
// give it to the cell, so it is brought back into the form. Also scrolls the form to its top when a step begins, and
// puts the focus there, so that the next Tab is the first field of the step.
// Of all keys only save and find (Ctrl or Meta with S, F) still reach the notebook.

function render({ model, el }) {
  el.classList.add("dn-shield");
  // Enter with Shift or Ctrl is meant for the cell: it must not press a button either.
  const spare = (event) => {
    const runs = event.key === "Enter" && (event.shiftKey || event.ctrlKey || event.altKey || event.metaKey);
    if (runs && event.target.closest("button")) event.preventDefault();
  };
  const stop = (event) => {
    const passes = (event.ctrlKey || event.metaKey) && !event.shiftKey && !event.altKey && "sf".includes(event.key.toLowerCase());
    if (!passes) event.stopPropagation();
  };
  let root = null;
  let watch = null;
  const hold = () => setTimeout(() => {
    if (root.isConnected && !root.contains(document.activeElement)) root.focus({ preventScroll: true });
  });

  function protect(node) {
    for (const each of node.querySelectorAll("button, select, input, textarea, a, summary, [tabindex]")) {
      each.setAttribute("data-lm-suppress-shortcuts", "true");
    }
  }

  function settle(tries) {
    root = el.closest(".dn-root");
    if (!root || !el.isConnected) {
      if (tries) setTimeout(() => settle(tries - 1), 50);
      return;
    }
    root.tabIndex = -1;
    root.style.outline = "none";
    root.setAttribute("data-lm-suppress-shortcuts", "true");
    root.addEventListener("keydown", spare, true);
    root.addEventListener("keydown", stop);
    root.addEventListener("pointerup", hold);
    protect(root);
    watch = new MutationObserver(() => protect(root));
    watch.observe(root, { childList: true, subtree: true });
  }

  // Unless a field of the step has the focus already, or something beside the form has it.
  function begin() {
    const screen = root.querySelector(".dn-screen"), at = document.activeElement;
    if (!screen || screen.contains(at) || (at !== document.body && !root.contains(at))) return;
    const seen = (node) => node.offsetParent;
    const first = [...screen.querySelectorAll(".dn-heading")].find(seen)
      || [...screen.querySelectorAll("button, select, input, textarea")].find((node) => seen(node) && !node.disabled);
    if (!first) return;
    if (first.matches(".dn-heading")) first.tabIndex = -1;
    first.focus({ preventScroll: true });
  }

  const onMessage = (message) => {
    if (!root) return;
    if (message.k === "top") {
      root.scrollTop = 0;
      setTimeout(begin, 60);
    }
    if (message.k === "place") {
      setTimeout(() => {
        const place = [...root.getElementsByClassName(message.name)].find((node) => node.offsetParent);
        if (place) place.scrollIntoView({ block: "center" });
      }, 60);
    }
  };

  settle(100);
  model.on("msg:custom", onMessage);
  return () => {
    model.off("msg:custom", onMessage);
    if (root) {
      root.removeEventListener("keydown", spare, true);
      root.removeEventListener("keydown", stop);
      root.removeEventListener("pointerup", hold);
    }
    if (watch) watch.disconnect();
  };
}

export default { render };
