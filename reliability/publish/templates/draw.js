// Draws every figure of the page from the description beside it, in the colours of the page, and again
// when these change.
(() => {
  const dark = window.matchMedia("(prefers-color-scheme: dark)");
  const config = () => {
    const css = getComputedStyle(document.documentElement);
    const of = (name) => css.getPropertyValue(name).trim();
    return {
      background: "transparent",
      font: of("--font"),
      axis: {
        labelColor: of("--text"), titleColor: of("--text"), gridColor: of("--line"),
        domainColor: of("--quiet"), tickColor: of("--quiet"),
      },
      legend: { labelColor: of("--text"), titleColor: of("--text") },
      title: { color: of("--text") },
      text: { color: of("--text") },
      view: { stroke: "transparent" },
    };
  };
  // On a narrow screen the picture keeps the room: names are cut and titles broken. Keys stand in columns
  // on every screen.
  const NARROW = 480, NAMES = 110, LETTER = 8.5, KEY = 140;
  const broken = (text, most) => text.split(" ").reduce((lines, word) => {
    const last = lines[lines.length - 1];
    if (last && (last + " " + word).length <= most) lines[lines.length - 1] = last + " " + word;
    else lines.push(word);
    return lines;
  }, []);
  const narrowed = (part, width) => {
    if (part === null || typeof part !== "object") return;
    if (part.legend && part.legend.columns > 2) part.legend.columns = 2;
    if (part.labelLimit > NAMES) part.labelLimit = NAMES;
    for (const place of [part.x, part.x && part.x.axis])
      if (place && typeof place.title === "string") place.title = broken(place.title, (width - 1.3 * NAMES) / LETTER);
    for (const [key, inner] of Object.entries(part)) if (key !== "values" && key !== "datasets") narrowed(inner, width);
  };
  // A text at a mark near the edge moves in, and off the names of the axis.
  const moveIn = (picture) => {
    const box = picture.getBoundingClientRect();
    const plot = (picture.querySelector(".role-frame > g > .background") || picture).getBoundingClientRect();
    for (const text of picture.querySelectorAll("text")) {
      const own = text.getBoundingClientRect();
      const left = text.closest(".role-mark") ? plot.left : box.left;
      const by = Math.max(0, left - own.left) || Math.min(0, box.right - own.right);
      if (own.width && by) text.setAttribute("transform", `translate(${by},0) ${text.getAttribute("transform") || ""}`);
    }
  };
  const draw = () => {
    for (const place of document.querySelectorAll("[data-figure]")) {
      const spec = JSON.parse(document.getElementById(place.dataset.figure).textContent);
      if (!("hconcat" in spec || "vconcat" in spec || "concat" in spec || "facet" in spec || "repeat" in spec)) {
        spec.width = "container";
        spec.autosize = { type: "fit-x", contains: "padding" };
      }
      const width = place.clientWidth;
      if (width < NARROW) {
        narrowed(spec, width);
        if (spec.title && typeof spec.title.text === "string") spec.title.text = broken(spec.title.text, width / LETTER);
        spec.padding = { left: 4, right: 16, top: 5, bottom: 5 };
      }
      const keys = { columns: Math.max(2, Math.floor(width / KEY)), labelLimit: width < NARROW ? NAMES : 2 * NAMES };
      const own = { ...spec.config, legend: { ...(spec.config || {}).legend, ...keys } };
      delete spec.config;
      const mine = config();
      for (const key of Object.keys(own)) {
        mine[key] = typeof own[key] === "object" && typeof mine[key] === "object"
          ? { ...own[key], ...mine[key] } : mine[key] ?? own[key];
      }
      vegaEmbed(place, spec, {
        mode: "vega-lite", renderer: "svg", config: mine,
        actions: { export: true, source: false, compiled: false, editor: false },
      }).then(() => {
        // the menu that saves the picture comes without a name
        place.querySelector("summary")?.setAttribute("aria-label", "Save this figure");
        moveIn(place.querySelector("svg.marks"));
        place.setAttribute("data-drawn", "yes");
      })
        .catch((e) => { place.textContent = "This figure could not be drawn: " + e.message; });
    }
  };
  dark.addEventListener("change", draw);
  document.addEventListener("DOMContentLoaded", draw);
})();
