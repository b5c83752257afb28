/* Live updates, charts, and forms without reloading. Without this script the page still shows and does everything. */
"use strict";
(() => {
  const STALE_MS = 10000;
  const link = document.getElementById("link");
  let last = Date.now();
  let station = document.title.replace(/^[^-]* - /, "");

  const show = (words) => {
    for (const node of document.querySelectorAll("[data-field]")) {
      const text = words[node.dataset.field];
      if (text !== undefined && node.textContent !== text) node.textContent = text;
    }
    for (const list of document.querySelectorAll("[data-lines]")) {
      const lines = (words[list.dataset.lines] || "").split("\n").filter(Boolean);
      const now = [...list.children].map((item) => item.textContent);
      if (lines.join("\n") !== now.join("\n")) {
        list.replaceChildren(...lines.map((line) => {
          const item = document.createElement("li");
          item.textContent = line;
          return item;
        }));
      }
      list.hidden = lines.length === 0;
    }
    for (const node of document.querySelectorAll("[data-show]")) node.hidden = !words[node.dataset.show];
    if (words.stage) document.title = `${words.stage} - ${station}`;
  };

  const fresh = () => {
    last = Date.now();
    document.body.classList.remove("is-stale");
    if (link) { link.classList.remove("stale"); link.textContent = `Live, ${new Date().toLocaleTimeString()}`; }
  };
  const stale = () => {
    document.body.classList.add("is-stale");
    if (link) {
      link.classList.add("stale");
      link.textContent = `No news for ${Math.round((Date.now() - last) / 1000)} s: what you see is old`;
    }
  };
  setInterval(() => { if (Date.now() - last > STALE_MS) stale(); }, 1000);

  let source = null;
  let wait = 1000;
  const listen = () => {
    source = new EventSource("/live");
    source.onmessage = (message) => { wait = 1000; fresh(); show(JSON.parse(message.data)); };
    source.onerror = () => {
      source.close();
      setTimeout(listen, wait);
      wait = Math.min(wait * 2, 15000);
    };
  };
  listen();

  document.addEventListener("submit", async (submit) => {
    const form = submit.target;
    if (form.getAttribute("action") !== "/ask") return;
    submit.preventDefault();
    const button = form.querySelector("button");
    button.disabled = true;
    try {
      const answer = await fetch("/ask", { method: "POST", body: new URLSearchParams(new FormData(form)),
        headers: { Accept: "application/json" } });
      const said = await answer.json();
      if (link) link.textContent = said.ok ? "Done." : said.why;
      if (said.words) show(said.words);
    } catch {
      if (link) link.textContent = "Not done: the station does not answer. Go to the bench.";
      if (link) link.classList.add("stale");
    } finally {
      button.disabled = false;
    }
  });

  const charts = {};
  const ink = () => getComputedStyle(document.body).color;
  const draw = (id, options, rows) => {
    const place = document.getElementById(id);
    if (!place || typeof Dygraph === "undefined" || rows.length === 0) return;
    if (charts[id]) { charts[id].updateOptions({ file: rows }); return; }
    charts[id] = new Dygraph(place, rows, { axisLabelColor: ink(), axisLineColor: ink(), gridLineColor: "#8a938f55",
      strokeWidth: 1.6, legend: "always", labelsKMB: false, xlabel: "hours", ...options });
  };
  const load = async () => {
    if (typeof Dygraph === "undefined" || !document.getElementById("chart-pressure")) return;
    const began = performance.now();
    const points = Math.max(200, Math.min(2000, Math.round(document.body.clientWidth * 1.5)));
    const answer = await fetch(`/series.json?points=${points}`);
    if (!answer.ok) return;
    const data = await answer.json();
    draw("chart-pressure", { labels: ["h", `chamber, ${data.pressure_unit}`], logscale: data.pressure_log,
      colors: ["#1f7a72"], ylabel: data.pressure_unit }, data.pressure);
    draw("chart-temperature", { labels: ["h", `oven air, ${data.temperature_unit}`, `core, ${data.temperature_unit}`],
      customBars: true, colors: ["#b4532a", "#1f7a72"], ylabel: data.temperature_unit }, data.temperature);
    const took = performance.now() - began;
    document.body.dataset.chartMs = took.toFixed(0);
    const note = document.getElementById("chart-note");
    if (note) note.textContent = data.note;
  };
  addEventListener("load", () => { load(); setInterval(load, 15000); });
})();
