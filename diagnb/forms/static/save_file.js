// A button that asks the kernel for a file and hands its bytes to the browser's own download.

function render({ model, el }) {
  const button = document.createElement("button");
  button.type = "button";
  button.className = "dn-save";
  const status = document.createElement("span");
  status.setAttribute("role", "status");
  status.className = "dn-save-status";
  el.classList.add("dn-save-host");
  el.replaceChildren(button, status);

  function draw() {
    button.textContent = model.get("label");
    button.disabled = !model.get("ready");
  }

  function onMessage(message, buffers) {
    if (message.k === "fault") {
      status.textContent = message.text;
      return;
    }
    if (message.k !== "file") return;
    const address = URL.createObjectURL(new Blob(buffers, { type: message.mime }));
    const link = document.createElement("a");
    link.href = address;
    link.download = message.name;
    document.body.append(link);
    link.click();
    link.remove();
    setTimeout(() => URL.revokeObjectURL(address), 60000);
    status.textContent = `${message.name} handed to the browser.`;
  }

  button.addEventListener("click", () => {
    status.textContent = "…";
    model.send({ k: "want" });
  });
  model.on("msg:custom", onMessage);
  model.on("change:label", draw);
  model.on("change:ready", draw);
  draw();
  return () => {
    model.off("msg:custom", onMessage);
    model.off("change:label", draw);
    model.off("change:ready", draw);
  };
}

export default { render };
