// A button that takes files of this device and hands their bytes to the kernel, in pieces that any connection carries.
// {k: "piece", file, name, at, of, last} with one buffer each; the kernel answers {k: "got", file, at} for every piece and
// {k: "said", file, text, bad} when it has kept the file or refused it.

const PIECE = 512 * 1024;

function render({ model, el }) {
  el.classList.add("dn-attach-host");
  const input = document.createElement("input");
  input.type = "file";
  input.multiple = true;
  input.accept = model.get("accept");
  input.className = "dn-spoken";
  input.tabIndex = -1;
  input.setAttribute("aria-hidden", "true");
  const button = document.createElement("button");
  button.type = "button";
  button.className = "dn-save";
  button.textContent = model.get("label");
  button.disabled = Boolean(model.get("locked"));
  const status = document.createElement("span");
  status.className = "dn-save-status";
  status.setAttribute("role", "status");
  el.replaceChildren(button, input, status);
  let count = 0;
  const waits = new Map(); // "file/at" -> the answer to one piece

  const asked = (message, buffers) => new Promise((resolve) => {
    waits.set(`${message.file}/${message.at}`, resolve);
    model.send(message, undefined, buffers);
  });

  async function hand(file) {
    const number = `${Math.random().toString(36).slice(2)}-${++count}`;
    const pieces = Math.max(1, Math.ceil(file.size / PIECE));
    for (let at = 0; at < pieces; at += 1) {
      status.textContent = `${file.name}: ${Math.round((100 * at) / pieces)} %`;
      const content = await file.slice(at * PIECE, (at + 1) * PIECE).arrayBuffer();
      const answer = await asked({ k: "piece", file: number, name: file.name, at, of: pieces }, [content]);
      if (answer.k === "said") return answer;
    }
    return new Promise((resolve) => waits.set(`${number}/end`, resolve));
  }

  input.addEventListener("change", async () => {
    const said = [];
    for (const file of [...input.files]) {
      try {
        const answer = await hand(file);
        said.push(`${answer.bad ? "✕" : "✓"} ${answer.text}`);
      } catch (error) {
        said.push(`✕ ${file.name} can't be read: ${error.message}`);
      }
      status.textContent = said.join(" ");
    }
    input.value = "";
  });
  button.addEventListener("click", () => input.click());

  const onMessage = (message) => {
    if (message.k === "got") {
      const key = `${message.file}/${message.at}`;
      if (waits.has(key)) { waits.get(key)(message); waits.delete(key); }
    } else if (message.k === "said") {
      for (const key of [...waits.keys()].filter((one) => one.startsWith(`${message.file}/`))) { waits.get(key)(message); waits.delete(key); }
    }
  };
  const onLocked = () => { button.disabled = Boolean(model.get("locked")); };
  model.on("msg:custom", onMessage);
  model.on("change:locked", onLocked);
  return () => {
    model.off("msg:custom", onMessage);
    model.off("change:locked", onLocked);
  };
}

export default { render };
