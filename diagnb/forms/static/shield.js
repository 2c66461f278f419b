// Keeps the notebook's own key commands out of the form: with a button or a list in focus, a double "d" would
// delete the form's cell. A click on something that takes no focus (the signature pad, a picture, a blank place) would
// give it to the cell, so it is brought back into the form. Also keeps the form as high as there is room, scrolls it to its top when a step begins, and
// puts the focus there, so that the next Tab is the first field of the step.
// Where the form is narrow or low, it folds the list of steps into one line, so that the fields have most of the height.
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
  const NARROW = 800;                 // px of the form
  const LOW = 720;                    // px of what scrolls around it: does not change while it scrolls
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
    const height = scroller ? around.bottom - around.top : page.clientHeight;
    root.classList.toggle("dn-folded", root.clientWidth < NARROW || height < LOW);
  }

  const openSteps = (opens) => {
    const steps = root.querySelector(".dn-steps");
    steps.classList.toggle("dn-open", opens);
    for (const fold of steps.querySelectorAll(".dn-fold")) fold.setAttribute("aria-expanded", String(opens));
  };

  function onStep(event) {
    const pressed = event.target.closest(".dn-steps button");
    if (!pressed || !root.classList.contains("dn-folded")) return;
    const isOpen = pressed.parentElement.classList.contains("dn-open");
    openSteps(!isOpen && pressed.matches(".dn-fold"));
    const here = root.querySelector(".dn-steps .dn-here");
    if (pressed.matches(".dn-fold") && here && !isOpen) here.focus({ preventScroll: true });
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
    root.addEventListener("click", onStep);
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
        if (!place) return;
        place.scrollIntoView({ block: "center" });
        if (!message.focus) return;
        place.tabIndex = -1;
        place.focus({ preventScroll: true });
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
      root.removeEventListener("click", onStep);
    }
    if (watch) watch.disconnect();
    if (sizes) sizes.disconnect();
    document.removeEventListener("scroll", onScroll, true);
    window.removeEventListener("resize", fitSoon);
    cancelAnimationFrame(waiting);
  };
}

export default { render };
