/* Live updates, charts, and forms without reloading. Without this script every page still shows and does everything
   but the drawing. */
"use strict";
(() => {
  const STALE_MS = 10000;
  const SVG = "http://www.w3.org/2000/svg";
  const byId = (id) => document.getElementById(id);

  /* ---- what is ------------------------------------------------------------------------------------------------ */

  const link = byId("link");
  const old = byId("old");
  const station = document.title.replace(/^.* - /, "");
  let last = Date.now();
  let isOld = false;

  const put = (node, text) => { if (node && node.textContent !== text) node.textContent = text; };

  const bandRow = (row) => {
    const item = document.createElement("li");
    const head = document.createElement("p");
    const what = document.createElement("span");
    const at = document.createElement("b");
    const foot = document.createElement("p");
    what.className = "what";
    foot.className = "quiet";
    what.textContent = row.what;
    at.textContent = row.at;
    foot.textContent = `${row.away}; ${row.between}`;
    head.append(what, " ", at);
    const drawing = document.createElementNS(SVG, "svg");
    const low = Number(row.low), mid = Number(row.mid), high = Number(row.high);
    for (const [name, value] of [["viewBox", "0 0 100 8"], ["preserveAspectRatio", "none"], ["aria-hidden", "true"],
      ["focusable", "false"]]) drawing.setAttribute(name, value);
    for (const [cls, x, y, width, height] of [["way", 0, 3.5, 100, 1], ["reach", low, 1, Math.max(1, high - low), 6],
      ["likely", Math.max(0, Math.min(98.8, mid - 0.6)), 0, 1.2, 8]]) {
      const part = document.createElementNS(SVG, "rect");
      part.setAttribute("class", cls);
      for (const [name, value] of [["x", x], ["y", y], ["width", width], ["height", height]]) {
        part.setAttribute(name, value);
      }
      drawing.append(part);
    }
    item.append(head, drawing, foot);
    return item;
  };

  /* The buttons keep the order of the job in both places. */
  const sortMarks = (likely) => {
    const near = byId("near"), far = byId("far");
    if (!near || !far) return;
    const order = [...document.querySelectorAll("[data-mark]")];
    const all = window.lbMarks || (window.lbMarks = order.map((form) => form.dataset.mark));
    const now = [...near.children].map((form) => form.dataset.mark).join(" ");
    const wanted = all.filter((mark) => likely.includes(mark)).join(" ");
    if (now.split(" ").sort().join(" ") === wanted.split(" ").sort().join(" ")) return;
    const focused = document.activeElement;
    for (const form of order) (likely.includes(form.dataset.mark) ? near : far).append(form);
    if (focused && focused !== document.activeElement && focused.isConnected) focused.focus();
  };

  const show = (words) => {
    for (const node of document.querySelectorAll("[data-field]")) {
      const text = words[node.dataset.field];
      if (text !== undefined) put(node, text);
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
    }
    for (const node of document.querySelectorAll("[data-value]")) node.value = words[node.dataset.value] ?? node.value;
    for (const node of document.querySelectorAll("[data-href]")) {
      const path = words[node.dataset.href];
      if (path && node.getAttribute("href") !== path) node.setAttribute("href", path);
    }
    for (const node of document.querySelectorAll("[data-width]")) {
      if (words[node.dataset.width] !== undefined) node.setAttribute("width", words[node.dataset.width]);
    }
    for (const node of document.querySelectorAll("[data-show]")) node.hidden = !words[node.dataset.show];
    for (const node of document.querySelectorAll("[data-tone]")) node.dataset.tone = words.heat_tone;
    const figures = byId("charts");
    if (figures && !figures.dataset.batch && words.began) figures.dataset.began = words.began;
    const rows = byId("bands");
    if (rows && words.bands) {
      const text = JSON.stringify(words.bands);
      if (rows.dataset.told !== text) {
        rows.dataset.told = text;
        rows.replaceChildren(...words.bands.map(bandRow));
        byId("no-bands").hidden = words.bands.length > 0;
      }
    }
    if (words.likely !== undefined) sortMarks(words.likely.split(" "));
    document.body.classList.toggle("is-old", isOld || Boolean(words.age));
    document.title = `${words.age ? "OLD " : ""}${words.stage} - ${station}`;
  };

  /* ---- fresh or old: the words change once, only the numbers run, and those no screen reader is told ------------ */

  const running = (node) => {
    let span = node.querySelector("span[aria-hidden]");
    if (!span) {
      span = document.createElement("span");
      span.setAttribute("aria-hidden", "true");
      node.append(span);
    }
    return span;
  };
  const say = (node, words, number) => {
    if (node.dataset.words !== words) {
      node.dataset.words = words;
      node.textContent = words;
    }
    put(running(node), number);
  };
  const fresh = () => {
    last = Date.now();
    isOld = false;
    old.hidden = true;
    link.classList.remove("is-bad");
    say(link, "Live", ` ${new Date(last).toLocaleTimeString([], { hour12: false })}`);
  };
  const stale = () => {
    isOld = true;
    document.body.classList.add("is-old");
    const since = new Date(last).toLocaleTimeString([], { hour12: false });
    if (!document.title.startsWith("OLD ")) document.title = `OLD ${document.title}`;
    link.classList.add("is-bad");
    say(link, "No news", "");
    old.hidden = false;
    say(old, `OLD: no news since ${since}. Look at the bench.`, ` ${Math.round((Date.now() - last) / 1000)} s`);
  };

  if (link) {
    let source = null, wait = 1000, timer = 0;
    const listen = () => {
      clearTimeout(timer);
      if (source) source.close();
      source = new EventSource("/live");
      source.onmessage = (message) => { wait = 1000; fresh(); show(JSON.parse(message.data)); };
      source.onerror = () => {
        source.close();
        timer = setTimeout(listen, wait);
        wait = Math.min(wait * 2, 5000);
        // After a restart of the station a session may have ended. A dial that is typed would be lost by leaving now;
        // it goes along when it is sent.
        fetch("/now.json").then((answer) => {
          if (answer.status === 401 && !byId("dial")?.value) location.assign("/sign-in");
        }, () => {});
      };
    };
    listen();
    setInterval(() => { if (Date.now() - last > STALE_MS) stale(); }, 1000);
    // A phone that wakes, or is back in the network, must not wait out its pause, nor trust a dead connection.
    const again = () => {
      if (document.visibilityState === "visible" && Date.now() - last > 3000) { wait = 1000; listen(); }
    };
    document.addEventListener("visibilitychange", again);
    addEventListener("online", again);
    addEventListener("pageshow", again);
    setInterval(() => { if (Date.now() - last > 30000 && source.readyState === 1) listen(); }, 5000);
  }

  /* ---- what is asked ------------------------------------------------------------------------------------------ */

  const DONE = { cut: "The cut is asked for: watch the heat's state.", mark: "Noted.", mark_undo: "Taken back.",
    acknowledge: "Alarms are silenced." };

  document.addEventListener("submit", async (submit) => {
    const form = submit.target;
    const said = byId("said");
    // Only the station page answers in place; a form of the book is sent as it is, and its page comes again.
    if (form.getAttribute("action") !== "/ask" || !said) return;
    submit.preventDefault();
    const button = form.querySelector("button");
    if (button.getAttribute("aria-busy") === "true") return;
    const data = new FormData(form);
    const tell = (text, bad) => {
      said.textContent = text;
      said.classList.toggle("is-bad", bad);
    };
    button.setAttribute("aria-busy", "true");
    try {
      const answer = await fetch("/ask", { method: "POST", body: new URLSearchParams(data),
        headers: { Accept: "application/json" }, signal: AbortSignal.timeout(15000) });
      const told = await answer.json();
      // Sent as a page's form it is answered by the sign-in page, which takes it along.
      if (answer.status === 401) { form.submit(); return; }
      tell(told.ok ? DONE[data.get("ask")] || "Done." : told.why, !told.ok);
      if (told.words) { fresh(); show(told.words); }
      if (told.ok && form.classList.contains("dial")) form.reset();
    } catch {
      tell(data.get("ask") === "cut" ? "NOT CUT: the station does not answer. Pull the oven's plug."
        : "Not done: the station does not answer. Go to the bench.", true);
    } finally {
      button.removeAttribute("aria-busy");
    }
  });

  /* ---- charts ------------------------------------------------------------------------------------------------- */

  const charts = {};
  const colour = (name) => getComputedStyle(document.body).getPropertyValue(name).trim();
  const draw = (id, options, rows, names) => {
    const place = byId(id);
    if (!place || typeof Dygraph === "undefined" || rows.length === 0) return;
    // A curve that stands still would leave a logarithmic axis without any height.
    const ys = rows.flatMap((row) => row.slice(1)).filter((y) => typeof y === "number");
    const least = Math.min(...ys), most = Math.max(...ys);
    const valueRange = options.logscale && ys.length && most < 1.5 * least ? [least / 2, most * 2] : null;
    const look = { valueRange, colors: [colour("--curve-1"), colour("--curve-2")], axisLabelColor: colour("--ink"),
      axisLineColor: colour("--line"), gridLineColor: colour("--grid") };
    if (charts[id]) { charts[id].updateOptions({ file: rows, ...look }); return; }
    const values = key(place, names);
    charts[id] = new Dygraph(place, rows, { ...look, labels: ["h", ...names], strokeWidth: 2, labelsKMB: false,
      axisLabelFontSize: 14, connectSeparatedPoints: false, yRangePad: 6, ...(fingers ? { interactionModel: {} } : {}),
      series: { [names[1] || ""]: { strokePattern: [8, 4] } },
      highlightCallback: (_, x, points) => {
        const at = rows[0][0] instanceof Date ? new Date(x).toLocaleTimeString([], { hour12: false, timeStyle: "short" })
          : `${x.toFixed(2)} h`;
        for (const point of points) put(values[point.name], ` ${point.yval.toPrecision(4)} at ${at}`);
      },
      unhighlightCallback: () => { for (const node of Object.values(values)) put(node, ""); }, ...options });
  };
  /* A key of our own: the library's writes styles into the page, which the page's rules forbid. */
  const key = (place, names) => {
    const line = document.createElement("p");
    line.className = "key";
    const values = {};
    names.forEach((name, index) => {
      const drawing = document.createElementNS(SVG, "svg");
      const stroke = document.createElementNS(SVG, "path");
      drawing.setAttribute("viewBox", "0 0 28 8");
      drawing.setAttribute("aria-hidden", "true");
      stroke.setAttribute("d", "M0 4H28");
      stroke.setAttribute("class", `curve-${index + 1}`);
      drawing.append(stroke);
      const item = document.createElement("span");
      values[name] = document.createElement("span");
      item.append(drawing, ` ${name}`, values[name]);
      line.append(item);
    });
    place.before(line);
    return values;
  };
  // A finger on a chart scrolls the page, as anywhere else.
  const fingers = matchMedia("(pointer: coarse)").matches;
  if (typeof Dygraph !== "undefined") {
    Dygraph.PLUGINS = Dygraph.PLUGINS.filter((plugin) => plugin !== Dygraph.Plugins.Legend);
  }
  const tabulate = (table) => {
    const box = byId("numbers");
    if (!box || !table) return;
    const line = (cells, kind, scope) => {
      const row = document.createElement("tr");
      cells.forEach((text, place) => {
        const cell = document.createElement(kind === "th" || place === 0 ? "th" : "td");
        if (cell.tagName === "TH") cell.scope = kind === "th" ? "col" : scope;
        cell.textContent = text;
        row.append(cell);
      });
      return row;
    };
    box.querySelector("thead").replaceChildren(line(table.heads, "th"));
    box.querySelector("tbody").replaceChildren(...table.rows.map((cells) => line(cells, "td", "row")));
    box.hidden = table.rows.length === 0;
  };
  const describe = (id, text) => { const place = byId(id); if (place) place.setAttribute("aria-label", text); };

  const load = async () => {
    const box = byId("charts") || byId("overlay");
    if (!box || typeof Dygraph === "undefined") return;
    const points = Math.max(200, Math.min(2000, Math.round(document.body.clientWidth * 1.5)));
    const query = new URLSearchParams({ points });
    for (const name of ["batch", "a", "b"]) if (box.dataset[name]) query.set(name, box.dataset[name]);
    const answer = await fetch(`${box.id === "overlay" ? "/overlay.json" : "/series.json"}?${query}`);
    if (!answer.ok) return;
    const data = await answer.json();
    // The time of day says more than hours since the pump was switched on, where it is known.
    const zero = Date.parse(box.dataset.began || "");
    if (Number.isFinite(zero)) {
      for (const rows of [data.pressure, data.temperature]) {
        for (const row of rows) row[0] = new Date(zero + row[0] * 3600000);
      }
      data.axis = "time of day";
    }
    const began = performance.now();
    draw("chart-pressure", { logscale: data.pressure_log, ylabel: data.pressure_unit,
      xlabel: data.axis }, data.pressure, data.pressure_names);
    draw("chart-temperature", { customBars: data.bars, ylabel: data.temperature_unit,
      xlabel: data.axis }, data.temperature, data.temperature_names);
    // The next frame is on the screen when the second callback runs.
    requestAnimationFrame(() => requestAnimationFrame(() => {
      document.body.dataset.chartMs = (performance.now() - began).toFixed(0);
    }));
    describe("chart-pressure", data.pressure_said);
    describe("chart-temperature", data.temperature_said);
    put(byId("chart-note"), data.note);
    tabulate(data.numbers);
  };
  matchMedia("(prefers-color-scheme: dark)").addEventListener("change", load);
  addEventListener("load", () => {
    load().catch(() => {});
    const box = byId("charts");
    if (box && !box.dataset.batch) setInterval(() => load().catch(() => {}), 15000);
  });
})();
