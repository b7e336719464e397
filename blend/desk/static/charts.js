// Charts: Vega-Lite definitions from the desk, with their values, drawn where they stand. Values on
// hover and zoom are in the definitions; a click on a mark of a lot shows that lot in the sheet.

const QUIET = { ast: true, logLevel: 1, actions: false, renderer: "svg", defaultStyle: false, tooltip: { disableDefaultStyle: true } };
let embed = null;

export async function drawCharts(root) {
  const figures = [...root.querySelectorAll("[data-chart]:not([data-drawn])")];
  if (!figures.length) return;
  figures.forEach((figure) => (figure.dataset.drawn = "yes"));
  embed ??= import(`${document.body.dataset.packaged}/charts.js`).then((made) => made.vegaEmbed);
  const vegaEmbed = await embed;
  await Promise.all(figures.map((figure) => drawOne(vegaEmbed, figure)));
}

async function drawOne(vegaEmbed, figure) {
  const place = figure.querySelector(".chart");
  const spec = JSON.parse(figure.querySelector("script").textContent);
  // as wide as the page lets it be, where its author left that open
  const width = typeof spec.width === "number" && !spec.encoding?.column ? { width: Math.max(220, place.clientWidth - 12), autosize: { type: "fit-x", contains: "padding" } } : {};
  const { view } = await vegaEmbed(place, { ...spec, ...width }, QUIET);
  view.addEventListener("click", (_, item) => {
    const lot = item?.datum?.lot_id;
    const box = lot && document.querySelector("[data-filter-box]");
    if (!box) return;
    box.value = lot;
    box.dispatchEvent(new Event("input", { bubbles: true }));
  });
  // marks without a name are lines and bands; the chart itself says what they are
  for (const mark of place.querySelectorAll("[role^=graphics-]:not([aria-label])")) mark.setAttribute("aria-hidden", "true");
  place.dataset.ready = "yes";
}
