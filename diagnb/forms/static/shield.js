// Keeps the notebook's own key commands out of the form: with a button or a list in focus, a double "d" would
// delete the form's cell. A click on something that takes no focus (the signature pad, a picture, a blank place) would
// give it to the cell, so it is brought back into the form. Also keeps the form as high as there is room, scrolls it to its top when a step begins, and
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
  let scroller = null;                // what scrolls the page around the form
  let sizes = null;
  let waiting = 0;
  const LEAST = 360;
  const EDGE = 8;

  // The form is as high as the room below its top edge, so that the buttons at its foot are always in sight.
  function fit() {
    waiting = 0;
    if (!root || !root.offsetParent) return;
    const page = document.documentElement;
    const around = scroller ? scroller.getBoundingClientRect() : { top: 0, bottom: page.clientHeight };
    const top = Math.max(root.getBoundingClientRect().top, around.top);
    const room = `${Math.max(Math.floor(Math.min(around.bottom, page.clientHeight) - top - EDGE), LEAST)}px`;
    if (root.style.getPropertyValue("--dn-room") !== room) root.style.setProperty("--dn-room", room);
  }
  const fitSoon = () => { if (!waiting) waiting = requestAnimationFrame(fit); };
  const onScroll = (event) => { if (root && event.target !== root && event.target.contains(root)) fitSoon(); };

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
    scroller = root.closest(".jp-WindowedPanel-outer"); // null on a page of its own
    document.addEventListener("scroll", onScroll, true);
    window.addEventListener("resize", fitSoon);
    sizes = new ResizeObserver(fitSoon);
    sizes.observe(scroller || document.documentElement);
    sizes.observe(root);
    fit();
    const look = recall();
    if (look) model.send({ k: "look", names: look });
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

  // How this device shows the forms is kept in its browser, for the next sheet.
  function recall() {
    try {
      const names = JSON.parse(localStorage.getItem("diagnb look"));
      return Array.isArray(names) && names.length ? names.filter((name) => typeof name === "string") : null;
    } catch { return null; }
  }

  const onMessage = (message) => {
    if (message.k === "seen") {
      if (el.isConnected) model.send({ k: "seen" });
      return;
    }
    if (message.k === "look") {
      try { localStorage.setItem("diagnb look", JSON.stringify(message.names)); } catch { /* a private window */ }
      return;
    }
    if (!root) return;
    if (message.k === "top") {
      root.scrollTop = 0;
      const place = scroller ? scroller.getBoundingClientRect() : { bottom: document.documentElement.clientHeight };
      if (root.getBoundingClientRect().bottom > place.bottom) root.scrollIntoView({ block: "start" });
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
    if (sizes) sizes.disconnect();
    document.removeEventListener("scroll", onScroll, true);
    window.removeEventListener("resize", fitSoon);
    cancelAnimationFrame(waiting);
  };
}

export default { render };
