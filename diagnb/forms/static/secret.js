// A field for a passphrase. What is typed goes to the kernel in a message and stands in no synced state, so that
// no saved notebook can hold it. A new passphrase is shown once, on the kernel's word.

function render({ model, el }) {
  const id = `dn-secret-${Math.random().toString(36).slice(2)}`;
  const label = document.createElement("label");
  label.htmlFor = id;
  const input = document.createElement("input");
  Object.assign(input, { id, type: "password", autocomplete: "off", spellcheck: false });
  const told = document.createElement("div");
  told.className = "dn-good";
  told.setAttribute("role", "status");
  told.hidden = true;
  const line = document.createElement("div");
  line.className = "dn-line dn-secret";
  line.append(label, input);
  el.classList.add("dn-grid-host");
  el.replaceChildren(line, told);

  const draw = () => { label.textContent = model.get("label"); };
  const send = () => model.send({ k: "secret", text: input.value });
  function onMessage(message) {
    if (message.k === "clear") {
      input.value = "";
      told.hidden = true;
      told.replaceChildren();
    } else if (message.k === "show") {
      const word = document.createElement("b");
      word.className = "dn-word";
      word.textContent = message.text;
      told.replaceChildren(document.createTextNode(message.note), document.createElement("br"), word);
      told.hidden = false;
      input.value = message.text;
    }
  }

  input.addEventListener("input", send);
  input.addEventListener("keydown", (event) => { if (event.key === "Enter") { event.preventDefault(); event.stopPropagation(); } });
  model.on("msg:custom", onMessage);
  model.on("change:label", draw);
  draw();
  send();
  return () => {
    model.off("msg:custom", onMessage);
    model.off("change:label", draw);
  };
}

export default { render };
