// A line that says what has just happened. The region stays in the page, so that screen readers announce a change.
// When the button that was pressed has gone, the line takes the focus: otherwise the next keys would go to the notebook.

function render({ model, el }) {
  const line = document.createElement("div");
  line.setAttribute("role", "status");
  line.setAttribute("aria-live", "polite");
  line.setAttribute("aria-atomic", "true");
  line.tabIndex = -1;
  el.replaceChildren(line);

  function draw() {
    const tone = model.get("tone");
    line.className = !model.get("text") ? "dn-live" : tone === "good" ? "dn-live dn-good" : tone === "trouble" ? "dn-live dn-trouble" : "dn-live dn-remark";
    line.textContent = model.get("text");
  }
  const onMessage = (message) => {
    if (message.k !== "reveal" || !model.get("text")) return;
    const root = el.closest(".dn-root");
    for (const delay of [60, 250, 800]) {
      setTimeout(() => {
        if (delay === 60) line.scrollIntoView({ block: "nearest" });
        if (root && line.isConnected && !root.contains(document.activeElement)) line.focus({ preventScroll: true });
      }, delay);
    }
  };
  model.on("change:text", draw);
  model.on("change:tone", draw);
  model.on("msg:custom", onMessage);
  draw();
  return () => {
    model.off("change:text", draw);
    model.off("change:tone", draw);
    model.off("msg:custom", onMessage);
  };
}

export default { render };
