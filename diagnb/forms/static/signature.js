// A pad for a drawn signature: strokes as lists of [x, y] on a 900 × 260 field, always black on white.

const WIDTH = 900, HEIGHT = 260;

function render({ model, el }) {
  const canvas = document.createElement("canvas");
  canvas.width = WIDTH;
  canvas.height = HEIGHT;
  canvas.className = "dn-pad";
  canvas.setAttribute("role", "img");
  canvas.setAttribute("aria-label", "Pad for a drawn signature. Those who can't draw type their name instead.");
  const undo = button("Undo stroke");
  const clear = button("Clear");
  const buttons = document.createElement("div");
  buttons.className = "dn-pad-buttons";
  buttons.append(undo, clear);
  el.classList.add("dn-pad-host");
  el.replaceChildren(canvas, buttons);
  const pen = canvas.getContext("2d");
  let stroke = null;

  function button(text) {
    const node = document.createElement("button");
    node.type = "button";
    node.className = "dn-small";
    node.textContent = text;
    return node;
  }

  function draw() {
    const strokes = model.get("strokes");
    pen.fillStyle = "#fff";
    pen.fillRect(0, 0, WIDTH, HEIGHT);
    pen.strokeStyle = "#8a8f98";
    pen.lineWidth = 1.5;
    pen.beginPath();
    pen.moveTo(40, HEIGHT - 56);
    pen.lineTo(WIDTH - 40, HEIGHT - 56);
    pen.stroke();
    pen.strokeStyle = "#000";
    pen.lineWidth = 4;
    pen.lineCap = pen.lineJoin = "round";
    for (const points of stroke ? [...strokes, stroke] : strokes) {
      pen.beginPath();
      points.forEach(([x, y], index) => (index ? pen.lineTo(x, y) : pen.moveTo(x, y)));
      if (points.length === 1) pen.lineTo(points[0][0] + 0.1, points[0][1]);
      pen.stroke();
    }
    undo.disabled = clear.disabled = model.get("locked") || !strokes.length;
  }

  function place(event) {
    const box = canvas.getBoundingClientRect();
    const x = ((event.clientX - box.left) / box.width) * WIDTH;
    const y = ((event.clientY - box.top) / box.height) * HEIGHT;
    return [Math.round(Math.min(Math.max(x, 0), WIDTH) * 10) / 10, Math.round(Math.min(Math.max(y, 0), HEIGHT) * 10) / 10];
  }

  function keep(strokes) {
    model.set("strokes", strokes);
    model.save_changes();
    draw();
  }

  canvas.addEventListener("pointerdown", (event) => {
    if (model.get("locked") || stroke) return;
    event.preventDefault();
    canvas.setPointerCapture(event.pointerId);
    stroke = [place(event)];
    draw();
  });
  canvas.addEventListener("pointermove", (event) => {
    if (!stroke) return;
    const events = event.getCoalescedEvents ? event.getCoalescedEvents() : [];
    for (const each of events.length ? events : [event]) {
      const next = place(each);
      const last = stroke[stroke.length - 1];
      if (Math.hypot(next[0] - last[0], next[1] - last[1]) >= 3) stroke.push(next);
    }
    draw();
  });
  const finish = () => {
    if (!stroke) return;
    const finished = stroke;
    stroke = null;
    keep([...model.get("strokes"), finished]);
  };
  canvas.addEventListener("pointerup", finish);
  canvas.addEventListener("pointercancel", finish);
  undo.addEventListener("click", () => keep(model.get("strokes").slice(0, -1)));
  clear.addEventListener("click", () => keep([]));
  model.on("change:strokes", draw);
  model.on("change:locked", draw);
  draw();
  return () => {
    model.off("change:strokes", draw);
    model.off("change:locked", draw);
  };
}

export default { render };
