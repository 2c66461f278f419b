// The pages of a report, one at a time, as pictures from the kernel; or the browser's own viewer for the whole file.

function render({ model, el }) {
  const bar = document.createElement("div");
  bar.className = "dn-pages-bar";
  const back = button("Previous page");
  const next = button("Next page");
  const zoom = button("Larger");
  const label = document.createElement("label");
  const choice = document.createElement("select");
  const id = `dn-page-${Math.random().toString(36).slice(2)}`;
  choice.id = id;
  label.htmlFor = id;
  label.textContent = "Page";
  bar.append(label, choice, back, next, zoom);
  const sheet = document.createElement("div");
  sheet.className = "dn-page";
  sheet.tabIndex = 0;
  sheet.setAttribute("role", "region");
  const told = document.createElement("div");
  told.setAttribute("role", "status");
  el.classList.add("dn-pages");
  el.replaceChildren(bar, sheet, told);

  let at = 1;
  let addresses = new Map();
  let large = false;

  function button(text) {
    const node = document.createElement("button");
    node.type = "button";
    node.className = "dn-small";
    node.textContent = text;
    return node;
  }

  function forget() {
    for (const address of addresses.values()) URL.revokeObjectURL(address);
    addresses = new Map();
  }

  function begin() {
    forget();
    at = 1;
    const pictures = model.get("mode") === "pictures";
    bar.hidden = !pictures;
    choice.replaceChildren(...Array.from({ length: model.get("count") }, (_, i) => new Option(`${i + 1} of ${model.get("count")}`, String(i + 1))));
    sheet.setAttribute("aria-label", model.get("title"));
    sheet.replaceChildren();
    told.textContent = model.get("note");
    told.className = model.get("note") ? "dn-remark" : "";
    sheet.hidden = model.get("mode") === "none";
    if (model.get("mode") === "viewer") model.send({ k: "whole" });
    if (pictures) turn(1);
  }

  function turn(number) {
    at = Math.min(Math.max(number, 1), model.get("count"));
    choice.value = String(at);
    // not `disabled`: the button in focus would lose the focus, and its keys would go to the notebook
    back.setAttribute("aria-disabled", String(at <= 1));
    next.setAttribute("aria-disabled", String(at >= model.get("count")));
    if (addresses.has(at)) show(at);
    else model.send({ k: "page", number: at });
  }

  function show(number) {
    let picture = sheet.querySelector("img");
    if (!picture) {
      picture = document.createElement("img");
      sheet.replaceChildren(picture);
    }
    picture.alt = `${model.get("title")}, page ${number} of ${model.get("count")}. What stands on it is listed as text beside or below.`;
    picture.src = addresses.get(number);
    sheet.scrollTop = 0;
  }

  function onMessage(message, buffers) {
    if (message.k === "fault") {
      told.className = "dn-trouble";
      told.textContent = message.text;
      return;
    }
    if (message.version !== model.get("version")) return;
    if (message.k === "page") {
      if (!addresses.has(message.number)) addresses.set(message.number, URL.createObjectURL(new Blob(buffers, { type: "image/png" })));
      if (message.number === at) show(at);
    } else if (message.k === "whole") {
      const address = URL.createObjectURL(new Blob(buffers, { type: "application/pdf" }));
      addresses.set(0, address);
      const frame = document.createElement("iframe");
      frame.title = model.get("title");
      frame.src = `${address}#navpanes=0&view=FitH`;
      sheet.replaceChildren(frame);
    }
  }

  back.addEventListener("click", () => turn(at - 1));
  next.addEventListener("click", () => turn(at + 1));
  choice.addEventListener("change", () => turn(Number(choice.value)));
  zoom.addEventListener("click", () => {
    large = !large;
    sheet.classList.toggle("dn-large", large);
    zoom.textContent = large ? "Whole width" : "Larger";
  });
  model.on("msg:custom", onMessage);
  model.on("change:version", begin);
  begin();
  return () => {
    forget();
    model.off("msg:custom", onMessage);
    model.off("change:version", begin);
  };
}

export default { render };
