// Keeps the notebook's own key commands out of the form: with a button or a list in focus, a double "d" would
// delete the form's cell. Also scrolls the form to its top when a step begins. Keys with Ctrl or Meta (save, find) still reach the notebook, Shift+Enter doesn't.

function render({ model, el }) {
  el.classList.add("dn-shield");
  const stop = (event) => {
    if (event.ctrlKey || event.metaKey) {
      if (event.key === "Enter") event.stopPropagation();
      return;
    }
    event.stopPropagation();
  };
  let root = null;
  let watch = null;

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
    root.addEventListener("keydown", stop);
    protect(root);
    watch = new MutationObserver(() => protect(root));
    watch.observe(root, { childList: true, subtree: true });
  }

  const onMessage = (message) => {
    if (!root) return;
    if (message.k === "top") root.scrollTop = 0;
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
    if (root) root.removeEventListener("keydown", stop);
    if (watch) watch.disconnect();
  };
}

export default { render };
