// Charts: Vega-Lite definitions from the desk, with their values, drawn where they stand. Pointing
// shows values and a crosshair, Ctrl and the wheel zoom, a click on a bar filters the lots, and a
// price line can be dragged. A chart that comes again with other values moves instead of flashing.

const QUIET = { mode: "vega-lite", ast: true, logLevel: 1, actions: false, renderer: "svg", defaultStyle: false, tooltip: { disableDefaultStyle: true } };
const isDark = matchMedia("(prefers-color-scheme: dark)");
const kept = new Map(); // by key of a figure: its view, its place and its shape
let embed = null;

isDark.addEventListener("change", () => location.reload());

export async function drawCharts(root) {
  const figures = [...root.querySelectorAll("[data-chart]:not([data-drawn])")];
  if (!figures.length) return;
  figures.forEach((figure) => (figure.dataset.drawn = "yes"));
  // no later than the page's own script needs, for a chart far down the page too
  embed ??= import(`${document.body.dataset.packaged}/charts.js`).then((made) => made.vegaEmbed);
  const vegaEmbed = await embed;
  await Promise.all(figures.map((figure) => drawOne(vegaEmbed, figure)));
}

async function drawOne(vegaEmbed, figure) {
  const { datasets = {}, ...rest } = JSON.parse(figure.querySelector("script").textContent);
  const key = figure.dataset.chart;
  const shape = JSON.stringify(rest);
  const before = key && kept.get(key);
  if (before?.shape === shape) {
    figure.querySelector(".chart").replaceWith(before.place);
    for (const [name, rows] of Object.entries(datasets)) before.view.data(name, rows);
    return void (await before.view.runAsync());
  }
  const place = figure.querySelector(".chart");
  const looks = JSON.parse(document.querySelector("#chart-looks").textContent);
  const spec = { ...withZoom(rest), datasets, config: looks[isDark.matches ? "dark" : "light"] };
  // as wide as the page lets it be, where its author left that open
  const width = typeof spec.width === "number" && !spec.encoding?.column ? { width: Math.max(220, place.clientWidth - 12), autosize: { type: "fit-x", contains: "padding" } } : {};
  const { view } = await vegaEmbed(place, { ...spec, ...width }, QUIET);
  if (key) kept.set(key, { view, place, shape });
  view.addEventListener("click", (_, item) => item?.datum && filterLots(item.datum));
  follow(view, place, spec.usermeta?.drag);
  for (const button of figure.querySelectorAll("[data-save]")) button.addEventListener("click", () => save(view, button.dataset.save, spec.title?.text));
  // marks without a name are lines and bands; the chart itself says what they are
  for (const mark of place.querySelectorAll("[role^=graphics-]:not([aria-label])")) mark.setAttribute("aria-hidden", "true");
  place.dataset.ready = "yes";
}

/** Ctrl and the wheel zoom along a number or a time; the mouse alone scrolls the page. */
function withZoom(spec) {
  const x = spec.encoding?.x ?? spec.layer?.[0]?.encoding?.x;
  const canZoom = spec.layer && ["quantitative", "temporal"].includes(x?.type) && !x.bin && !spec.encoding?.column;
  if (!canZoom) return spec;
  const zoom = { name: "zoomed", select: { type: "interval", encodings: ["x"], zoom: "wheel![event.ctrlKey]", translate: "[pointerdown[event.shiftKey], window:pointerup] > window:pointermove!" }, bind: "scales" };
  const [first, ...others] = spec.layer;
  return { ...spec, layer: [{ ...first, params: [...(first.params ?? []), zoom] }, ...others] };
}

/** A line under the pointer with its value; `drag` names the number that follows a drag. */
function follow(view, place, drag) {
  const isAlongNumbers = (value) => typeof value === "number" || value instanceof Date;
  if (!isAlongNumbers(scaleOf(view)?.invert?.(0))) return;
  const cross = document.createElement("div");
  cross.className = "cross";
  cross.hidden = true;
  place.append(cross);
  const left = () => view.origin()[0] + view.padding().left;
  const at = ({ clientX }) => {
    const box = place.querySelector("svg").getBoundingClientRect();
    return clientX - box.left - left();
  };
  const valueAt = (event) => scaleOf(view).invert(at(event));
  place.addEventListener("pointermove", (event) => {
    const x = at(event);
    cross.hidden = x < 0 || x > view.width();
    if (cross.hidden) return;
    cross.style.left = `${x + left()}px`;
    const value = valueAt(event);
    cross.dataset.value = value instanceof Date ? value.toLocaleDateString("en-US", { dateStyle: "medium" }) : value.toFixed(2);
    if (drag && event.buttons) view.signal(drag, Math.round(value * 100) / 100).runAsync();
  });
  place.addEventListener("pointerleave", () => (cross.hidden = true));
  if (!drag) return;
  place.classList.add("dragged");
  place.addEventListener("pointerdown", (event) => {
    if (event.target.matches("input") || event.shiftKey || cross.hidden) return;
    event.preventDefault();
    view.signal(drag, Math.round(valueAt(event) * 100) / 100).runAsync();
  });
}

async function save(view, ending, title) {
  const link = document.createElement("a");
  link.href = await view.toImageURL(ending, 2);
  link.download = `${(title || "chart").replace(/[^\w]+/g, "-")}.${ending}`;
  link.click();
}

function scaleOf(view) {
  try {
    return view.scale("x");
  } catch {
    return null; // several plots, or none along a number
  }
}

function filterLots({ lots, lot_id: lot }) {
  const words = lot ?? lots?.split(", ").join(" | ");
  const box = words && document.querySelector("#sheet-lots [data-filter-box]");
  if (!box) return;
  box.value = words;
  box.dispatchEvent(new Event("input", { bubbles: true }));
  box.scrollIntoView({ block: "center" });
}
