// The page comes to life: head, contents, switches, figures in the order in which they are read.

function startHead() {
  const { plots } = data, area = plots.reduce((sum, plot) => sum + plot.area_ha, 0);
  const facts = document.getElementById("facts");
  const write = () => {
    facts.textContent = `${plots.length} plot${plots.length === 1 ? "" : "s"} on ${shown(area, "ha")}, ${longDay(data.start)} to ${longDay(data.end - DAY)}. ${data.analytes.find(({ analyte }) => analyte === state.analyte).title}. Times are the site’s standard time.`;
  };
  write();
  onChange(write);
  const pick = document.getElementById("analyte");
  if (data.analytes.length > 1) {
    document.getElementById("analyte-pick").hidden = false;
    pick.append(...data.analytes.map(({ analyte, title }) => element("option", { value: analyte }, title)));
    pick.addEventListener("change", () => { state.analyte = pick.value; changed(); });
  }
  const buttons = [...document.querySelectorAll("[data-units]")];
  for (const button of buttons) {
    button.addEventListener("click", () => {
      state.units = button.dataset.units;
      buttons.forEach((one) => one.setAttribute("aria-pressed", String(one === button)));
      changed();
    });
  }
}

function startContents() {
  const list = document.getElementById("contents"), links = new Map();
  for (const section of document.querySelectorAll("main > section")) {
    const heading = section.querySelector("h2");
    heading.id = `${section.id}-heading`;
    section.setAttribute("aria-labelledby", heading.id);
    const link = element("a", { href: `#${section.id}` }, section.dataset.short || heading.textContent);
    links.set(section, link);
    list.append(element("li", {}, link));
  }
  const seen = new IntersectionObserver((entries) => {
    for (const entry of entries) links.get(entry.target).toggleAttribute("aria-current", entry.isIntersecting);
  }, { rootMargin: "-45% 0px -50% 0px" });
  links.forEach((_, section) => seen.observe(section));
}

function startWords() {
  for (const holder of document.querySelectorAll("[data-said]")) {
    const write = () => { const said = at(holder.dataset.said); holder.textContent = typeof said === "string" ? said : sentence(said); };
    write();
    onChange(write);
  }
  for (const holder of document.querySelectorAll("[data-list]")) {
    const write = () => holder.replaceChildren(...(at(holder.dataset.list) || []).map((one) => element("li", {}, typeof one === "string" ? one : sentence(one))));
    write();
    onChange(write);
  }
  for (const holder of document.querySelectorAll("[data-sheet]")) if (at(holder.dataset.sheet)?.rows.length) fold(holder, holder.dataset.summary, () => at(holder.dataset.sheet), holder.hasAttribute("data-open"));
}

const STARTS = {
  annual: startAnnual, calendar: startCalendar, flow: startFlow, backwater: startBackwater, growth: startGrowth, events: startEvents,
  concentrations: startConcentrations, budget: startBudget, methods: startMethods, supply: startSupply,
};

async function startPage() {
  drawPatterns();
  startHead();
  startContents();
  startWords();
  const holders = [...document.querySelectorAll("figure[data-figure]")];
  for (const holder of holders) {
    await STARTS[holder.dataset.figure](holder);
    // A breath between figures, so that the page answers while it is still being drawn.
    await new Promise((resolve) => setTimeout(resolve));
  }
  // Milliseconds since the page was asked for.
  document.documentElement.dataset.ready = Math.round(performance.now());
}
startPage();
