// Draws the field. Every text is set with textContent; numbers and sentences come ready from the page's data.
function showField(map, data) {
  "use strict";
  const SVG = "http://www.w3.org/2000/svg";
  const HATCHES = {
    dots: "M3 3h.01M8 8h.01", slash: "M-1 11L11 -1M-1 1L1 -1M9 11L11 9", cross: "M0 0L10 10M10 0L0 10",
    columns: "M5 0V10", rows: "M0 5H10",
  };
  const patterns = svg("svg", {width: 0, height: 0, "aria-hidden": true, class: "patterns"}, document.body);
  const hint = "Point at a place on the map or tap it to read about it. The Tab key reaches the numbered parts.";
  const byId = (id) => document.getElementById(id);
  let shown = null, pinned = null, current = null;

  function svg(name, attributes, parent) {
    const node = document.createElementNS(SVG, name);
    for (const [key, value] of Object.entries(attributes)) node.setAttribute(key, value);
    if (parent) parent.append(node);
    return node;
  }

  function element(name, content, parent, properties) {
    const node = Object.assign(document.createElement(name), properties);
    node.textContent = content;
    if (parent) parent.append(node);
    return node;
  }

  // Styles: the same for the map and for the legend -------------------------------------------------

  function fillOf(style) {
    if (!style.hatch || style.hatch === "none") return style.fill || "none";
    const id = ["hatch", style.hatch, style.fill, style.ink].join("-").replace(/#/g, "");
    if (!byId(id)) {
      const pattern = svg("pattern", {id, width: 10, height: 10, patternUnits: "userSpaceOnUse"}, patterns);
      svg("rect", {width: 10, height: 10, fill: style.fill}, pattern);
      const width = style.hatch === "dots" ? 2.2 : 1.2;
      svg("path", {d: HATCHES[style.hatch], stroke: style.ink, "stroke-width": width, "stroke-linecap": "round"}, pattern);
    }
    return `url(#${id})`;
  }

  function pathOptions(style, pane) {
    return {
      pane, color: style.stroke || "none", weight: style.weight || 0, dashArray: style.dash || null, opacity: 1,
      fill: Boolean(style.fill), fillColor: fillOf(style), fillOpacity: 1, radius: style.radius || 0,
    };
  }

  function swatch(style) {
    const box = svg("svg", {width: 34, height: 20, "aria-hidden": true});
    const look = {stroke: style.stroke || "none", "stroke-width": style.weight || 0, fill: fillOf(style)};
    if (style.dash) look["stroke-dasharray"] = style.dash;
    if (style.radius) svg("circle", {...look, cx: 17, cy: 10, r: style.radius}, box);
    else if (style.fill) svg("rect", {...look, x: 2, y: 2, width: 30, height: 16}, box);
    else svg("path", {...look, d: "M0 10H34"}, box);
    return box;
  }

  // The panel: hovering shows, a click or Enter keeps ----------------------------------------------

  function show(shape) {
    const panel = byId("panel");
    shown = shape;
    panel.replaceChildren();
    if (!shape) return element("p", hint, panel, {className: "hint"});
    element("h3", shape.title, panel);
    const list = element("dl", "", panel);
    for (const [name, value] of shape.rows) {
      const pair = element("div", "", list);
      element("dt", name, pair);
      element("dd", value, pair);
    }
  }

  function keep(shape) {
    for (const node of document.querySelectorAll(".kept")) node.classList.remove("kept");
    pinned = shape;
    show(shape);
    if (shape && shape.path.getElement()) shape.path.getElement().classList.add("kept");
  }

  function listen(shape, path) {
    shape.path = path;
    path.on("mouseover", () => { if (!pinned) show(shape); });
    path.on("mouseout", () => { if (!pinned && shown === shape) show(null); });
    path.on("click", (event) => { L.DomEvent.stop(event); keep(shape); });
    if (!shape.focus) return;
    path.on("add", () => {
      const node = path.getElement();
      node.setAttribute("tabindex", "0");
      node.setAttribute("role", "button");
      node.setAttribute("aria-label", [shape.title, ...shape.rows.map((row) => row.join(" "))].join(", "));
      node.addEventListener("keydown", (event) => {
        if (event.key !== "Enter" && event.key !== " ") return;
        event.preventDefault();
        keep(shape);
      });
    });
  }

  // Drawing -----------------------------------------------------------------------------------------

  function draw(shape, pane) {
    const options = pathOptions(shape.style, pane);
    const silent = shape.silent || !shape.rows;
    options.interactive = !silent;
    const path = shape.point ? L.circleMarker(shape.point, options) : L.polygon(shape.rings, options);
    if (!silent) listen(shape, path);
    return path;
  }

  function labels(shape) {
    shape.marks = shape.at.map(() => element("span", shape.tag));
    return shape.at.map((point, at) => {
      const icon = L.divIcon({className: "tag", html: shape.marks[at], iconSize: null});
      return L.marker(point, {icon, pane: "tags", interactive: false, keyboard: false});
    });
  }

  // A label larger than its part would hide it: it waits until the part is large enough on the screen.
  function fitLabels() {
    for (const shape of (current && current.shapes) || []) {
      if (!shape.marks) continue;
      const box = shape.path.getBounds();
      const size = map.latLngToLayerPoint(box.getSouthEast()).subtract(map.latLngToLayerPoint(box.getNorthWest()));
      for (const mark of shape.marks) mark.hidden = Math.min(size.x, size.y) < 18;
    }
  }

  function layersOf(view, pane) {
    const layers = [];
    if (view.picture) layers.push(L.imageOverlay(view.picture.source, view.picture.corners, {pane}));
    // strong outlines last, or a neighbour's thin one would cut into them
    const shapes = [...(view.shapes || [])].sort((one, other) => (one.style.weight || 0) - (other.style.weight || 0));
    for (const shape of shapes) layers.push(draw(shape, pane));
    if (view.lines) {
      const {style, points} = view.lines;
      for (const [color, extra] of [[style.halo, 3], [style.stroke, 0]]) {
        layers.push(L.polyline(points, {pane, color, weight: style.weight + extra, opacity: 1, interactive: false}));
      }
    }
    for (const shape of shapes) if (shape.tag) layers.push(...labels(shape));
    return L.layerGroup(layers);
  }

  function legend(view) {
    const box = byId("legend");
    box.replaceChildren();
    element("h3", view.legend.title, box);
    const list = element("ul", "", box);
    const onTop = data.overlays.filter((each) => map.hasLayer(each.layer)).flatMap((each) => each.legend)
      .map((item) => view.strip === false && item.elsewhere ? {...item, text: item.elsewhere} : item);
    const items = new Map([...onTop, ...view.legend.items].map((item) => [item.text, item]));
    const order = [...view.legend.items, ...onTop].map((item) => item.text);
    for (const item of new Set(order.map((text) => items.get(text)))) {
      const line = element("li", "", list, {className: item.limit ? "limit" : ""});
      line.append(swatch(item.style), element("span", item.text));
    }
  }

  // Choices -----------------------------------------------------------------------------------------

  function look(view) {
    if (current) current.layer.remove();
    current = view;
    view.layer = view.layer || layersOf(view, "look");
    view.layer.addTo(map);
    byId("sentence").textContent = view.sentence;
    byId("more").textContent = view.more || "";
    legend(view);
    keep(null);
    fitLabels();
  }

  function choice(type, text, checked, parent, act) {
    const line = element("label", "", parent);
    const input = element("input", "", line, {type, name: type === "radio" ? "look" : "", checked});
    input.addEventListener("change", act);
    element("span", text, line);
    return input;
  }

  function choices() {
    const form = byId("choices");
    const main = element("fieldset", "", form);
    element("legend", "What to look at", main);
    let group = "";
    for (const [at, view] of data.views.entries()) {
      if (view.group !== group && view.group !== view.label) element("p", view.group, main, {className: "group"});
      group = view.group;
      const input = choice("radio", view.label, at === 0, main, () => look(view));
      input.setAttribute("aria-label", `${view.group}: ${view.label}`);
    }
    const extra = element("fieldset", "", form);
    element("legend", "On top", extra);
    for (const overlay of data.overlays) {
      choice("checkbox", overlay.label, true, extra, (event) => {
        if (event.target.checked) overlay.layer.addTo(map); else overlay.layer.remove();
        legend(current);
      });
    }
  }

  function north() {
    const control = L.control({position: "topright"});
    control.onAdd = () => {
      const box = svg("svg", {width: 30, height: 44, viewBox: "0 0 30 44", role: "img", "aria-label": "North is up"});
      svg("path", {d: "M15 2L24 26L15 20L6 26Z", fill: "#17232a", stroke: "#fff", "stroke-width": 1.5}, box);
      svg("text", {x: 15, y: 41, "text-anchor": "middle", class: "north"}, box).textContent = "N";
      return box;
    };
    control.addTo(map);
  }

  function fit() {
    map.invalidateSize({animate: false});
    map.fitBounds(data.bounds, {padding: [14, 14], animate: false});
  }

  for (const [name, z] of [["look", 350], ["top", 420], ["tags", 460]]) map.createPane(name).style.zIndex = z;
  map.getPane("tags").style.pointerEvents = "none";
  L.control.scale({imperial: data.imperial, metric: true, maxWidth: 140}).addTo(map);
  north();
  fit();
  for (const overlay of data.overlays) {
    overlay.layer = L.layerGroup(overlay.shapes.map((shape) => draw(shape, "top"))).addTo(map);
  }
  choices();
  if (data.views.length) look(data.views[0]);
  map.on("click", () => keep(null));
  map.on("zoomend", fitLabels);
  document.addEventListener("keydown", (event) => { if (event.key === "Escape") keep(null); });
  window.addEventListener("beforeprint", () => { document.body.classList.add("printing"); fit(); });
  window.addEventListener("afterprint", () => { document.body.classList.remove("printing"); fit(); });
}
