"use strict";
// What the page gains by a script: columns that sort, and a map that comes closer. Without one it reads as it is.
(() => {
  const table = document.querySelector("table.fields");
  if (!table) return;
  const body = table.tBodies[0];
  const given = [...body.rows];

  // A dash has no value and stays at the end whichever way a column is sorted.
  const value = (row, column) => {
    const shown = row.cells[column].textContent;
    if (shown === "-") return null;
    const number = Number(shown.replace(/[,% ]/g, ""));
    return Number.isNaN(number) ? shown : number;
  };

  const compare = (one, other) => {
    if (typeof one === "number" && typeof other === "number") return one - other;
    return String(one).localeCompare(String(other), "en", {numeric: true});
  };

  const sort = (head, column) => {
    const was = head.getAttribute("aria-sort");
    for (const each of table.tHead.rows[0].cells) each.removeAttribute("aria-sort");
    if (was === "descending") return body.append(...given);  // the third press gives the first order back
    const sign = was === "ascending" ? -1 : 1;
    head.setAttribute("aria-sort", sign > 0 ? "ascending" : "descending");
    const keyed = given.map((row, place) => ({row, place, key: value(row, column)}));
    keyed.sort((a, b) => (a.key === null) - (b.key === null)
      || (a.key === null ? 0 : sign * compare(a.key, b.key)) || a.place - b.place);
    body.append(...keyed.map((each) => each.row));
  };

  [...table.tHead.rows[0].cells].forEach((head, column) => {
    const button = document.createElement("button");
    button.type = "button";
    button.textContent = head.textContent;
    button.addEventListener("click", () => sort(head, column));
    head.replaceChildren(button);
  });

  const map = document.getElementById("fields");
  if (!map) return;
  const whole = map.viewBox.baseVal;
  const full = {x: 0, y: 0, width: whole.width, height: whole.height};
  const dots = [...map.querySelectorAll("circle")];
  const radius = Number(dots[0].getAttribute("r"));

  const look = (x, y, width) => {
    const height = width * full.height / full.width;
    const left = Math.min(Math.max(x, 0), full.width - width), top = Math.min(Math.max(y, 0), full.height - height);
    map.setAttribute("viewBox", `${left} ${top} ${width} ${height}`);
    for (const dot of dots) dot.setAttribute("r", radius * width / full.width);
  };

  // Keep the place under (x, y), shares of the drawing, where it is.
  const zoom = (factor, x = 0.5, y = 0.5) => {
    const now = map.viewBox.baseVal;
    const width = Math.min(full.width, Math.max(full.width / 500, now.width * factor));
    const height = width * full.height / full.width;
    look(now.x + x * (now.width - width), now.y + y * (now.height - height), width);
  };

  const move = (x, y) => {
    const now = map.viewBox.baseVal;
    look(now.x + x * now.width, now.y + y * now.height, now.width);
  };

  const tools = document.createElement("div");
  tools.className = "zoom";
  const acts = [
    ["closer", () => zoom(0.5)], ["farther", () => zoom(2)], ["all", () => look(0, 0, full.width)],
    ["west", () => move(-0.3, 0)], ["east", () => move(0.3, 0)], ["north", () => move(0, -0.3)], ["south", () => move(0, 0.3)],
  ];
  for (const [name, act] of acts) {
    const button = document.createElement("button");
    button.type = "button";
    button.textContent = name;
    button.addEventListener("click", act);
    tools.append(button);
  }
  map.parentElement.before(tools);

  let held = null;
  map.addEventListener("pointerdown", (event) => { held = {x: event.clientX, y: event.clientY, far: false}; });
  map.addEventListener("pointermove", (event) => {
    if (!held || !(event.buttons & 1)) return;
    const box = map.getBoundingClientRect();
    const x = event.clientX - held.x, y = event.clientY - held.y;
    if (!held.far && Math.abs(x) + Math.abs(y) < 6) return;
    move(-x / box.width, -y / box.height);
    held = {x: event.clientX, y: event.clientY, far: true};
  });
  map.addEventListener("click", (event) => { if (held && held.far) event.preventDefault(); held = null; });
  map.addEventListener("dblclick", (event) => {
    const box = map.getBoundingClientRect();
    zoom(0.5, (event.clientX - box.left) / box.width, (event.clientY - box.top) / box.height);
  });
})();
