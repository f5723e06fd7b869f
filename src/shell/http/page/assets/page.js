// What moves on the page: ages and countdowns, what changed, a lost connection, strip charts.
// Without it everything is there and works; it only stands still. Every word comes from the daemon.
"use strict";

const live = document.getElementById("live");
const all = (selector, within = document) => [...within.querySelectorAll(selector)];

// A form is sent once: a second touch finds no button. Coming back by the browser's own way finds it again.
document.addEventListener("submit", (event) => {
  setTimeout(() => all("button", event.target).forEach((button) => { button.disabled = true; }), 0);
});
addEventListener("pageshow", (event) => {
  if (event.persisted) all("form button[disabled]").forEach((button) => { button.disabled = false; });
});

// What came of an order is read first.
document.getElementById("told")?.focus();

if (live) {
  const lost = document.getElementById("lost");
  const tank = live.dataset.tank;
  const speed = Number(live.dataset.speed) || 1;
  const zone = live.dataset.zone;
  const asOf = () => document.getElementById("as-of");
  // The daemon's clock, as of the last time it was heard; a demo's runs faster.
  let heard = performance.now();
  let clock = Number(asOf()?.dataset.at) || Date.now();
  let patience = 9000;
  let why = "";
  const now = () => clock + (performance.now() - heard) * speed;

  // 42 s, 5 min, 1 h 5 min, 3 d 2 h: as the daemon says it.
  const span = (millis) => {
    const seconds = Math.max(0, Math.floor(millis / 1000));
    const [d, h, m] = [Math.floor(seconds / 86400), Math.floor(seconds / 3600) % 24, Math.floor(seconds / 60) % 60];
    if (d) return h ? `${d} d ${h} h` : `${d} d`;
    if (h) return m ? `${h} h ${m} min` : `${h} h`;
    return m ? `${m} min` : `${seconds} s`;
  };
  const tick = () => {
    const is = now();
    for (const time of all("time.age")) time.textContent = span(is - Number(time.dataset.since));
    for (const time of all("time.left")) {
      const left = Number(time.dataset.until) - is;
      time.textContent = left > 0 ? `${span(left)} left` : `${span(-left)} over`;
    }
  };

  // A lost connection: the page says so over everything, and how old what it shows is.
  const say = () => {
    const silent = performance.now() - heard;
    const gone = why || (silent > patience ? "Nothing is heard from the daemon" : "");
    document.body.classList.toggle("lost", Boolean(gone));
    lost.hidden = !gone;
    if (!gone) { lost.textContent = ""; return; }
    const at = new Date(clock).toLocaleTimeString("en-GB", { timeZone: zone });
    const text = `${gone} since ${at}.`;
    // The sentence is announced once; the age beside it only grows.
    if (!lost.firstChild) lost.append(document.createElement("strong"), document.createElement("span"));
    if (lost.firstChild.textContent !== text) lost.firstChild.textContent = text;
    lost.lastChild.setAttribute("aria-hidden", "true");
    lost.lastChild.textContent = ` What stands below is ${span(silent * speed)} old. Look at the tank itself.`;
  };
  setInterval(() => { tick(); say(); }, 1000);

  // Nothing is exchanged under a finger, nor while somebody writes.
  let touched = 0;
  for (const kind of ["pointerdown", "pointerup", "keydown"]) addEventListener(kind, () => { touched = performance.now(); });
  const busy = () => {
    const active = document.activeElement;
    const writes = active && live.contains(active) && ["INPUT", "SELECT", "TEXTAREA"].includes(active.tagName);
    return writes || performance.now() - touched < 800;
  };
  // The focus stays where it was: by its id, its address, or its place among the buttons.
  const place = (element) => {
    if (!element || !live.contains(element)) return null;
    if (element.id) return `#${CSS.escape(element.id)}`;
    if (element.getAttribute("href")) return `a[href="${CSS.escape(element.getAttribute("href"))}"]`;
    const owner = element.closest("[id]");
    const index = owner ? all(element.tagName, owner).indexOf(element) : -1;
    return owner && owner !== live && index >= 0 ? { owner: `#${CSS.escape(owner.id)}`, tag: element.tagName, index } : null;
  };
  const find = (at) => {
    if (!at) return null;
    if (typeof at === "string") return live.querySelector(at);
    const owner = live.querySelector(at.owner);
    return owner ? all(at.tag, owner)[at.index] : null;
  };

  // What somebody typed or chose, and has not sent yet, stays too.
  const CHANGED = {
    checkbox: (one) => one.checked !== one.defaultChecked,
    "select-one": (one) => [...one.options].some((option) => option.selected !== option.defaultSelected),
  };
  const typed = () => all("input[id]:not([type=hidden]), select[id], textarea[id]", live)
    .filter((one) => (CHANGED[one.type] || (() => one.value !== one.defaultValue))(one))
    .map((one) => [one.id, one.value, one.checked]);
  const type = (fields) => {
    for (const [id, value, checked] of fields) {
      const one = document.getElementById(id);
      if (one) [one.value, one.checked] = [value, checked];
    }
  };

  let wanted = false;
  let asking = false;
  const refresh = async () => {
    if (!wanted || asking || busy() || document.hidden) return;
    wanted = false;
    asking = true;
    try {
      const answer = await fetch(live.dataset.from, { cache: "no-store", credentials: "same-origin" });
      if (answer.redirected) { location.reload(); return; }
      if (!answer.ok) { wanted = true; return; }
      const text = await answer.text();
      if (busy()) { wanted = true; return; }
      const open = all("details[open]", live).map((details) => details.id);
      const [at, fields] = [place(document.activeElement), typed()];
      const before = document.getElementById("sentence")?.textContent;
      live.innerHTML = text;
      for (const id of open) { const details = document.getElementById(id); if (details) details.open = true; }
      type(fields);
      find(at)?.focus({ preventScroll: true });
      tick();
      const after = document.getElementById("sentence")?.textContent;
      // Numbers change all the time; a new beginning is worth an announcement.
      const head = (text) => (text || "").split(".")[0].replace(/\d+/g, "");
      if (head(before) !== head(after)) document.getElementById("say").textContent = after;
    } catch { wanted = true; } finally { asking = false; }
  };
  setInterval(refresh, 1000);
  document.addEventListener("visibilitychange", () => { wanted = true; refresh(); });

  const announcer = document.createElement("p");
  announcer.id = "say";
  announcer.className = "unseen";
  announcer.setAttribute("role", "status");
  document.body.append(announcer);

  let stream;
  const listen = () => {
    stream?.close();
    stream = new EventSource(`/api/v1/tanks/${tank}/events`);
    for (const kind of ["status", "change", "alarm", "hold"]) stream.addEventListener(kind, () => { wanted = true; });
    stream.addEventListener("heartbeat", (event) => {
      const beat = JSON.parse(event.data);
      [heard, clock, patience] = [performance.now(), beat.now, beat.next_within * 1000];
      const was = why;
      why = beat.control ? "" : "The daemon answers, and its control does not,";
      if (was !== why || document.body.classList.contains("lost")) wanted = true;
      say();
    });
    stream.addEventListener("end", () => { why = "The daemon has ended its work"; wanted = true; say(); });
  };
  listen();
  // A stream that was refused for good is begun anew: the session may be over, and then the page asks who is there.
  setInterval(() => {
    if (stream.readyState === EventSource.CLOSED) { wanted = true; listen(); }
  }, 5000);

  // ---- strip charts ----
  const past = document.getElementById("past");
  const charts = past ? all(".chart", past) : [];
  let hours = 24;
  let drawing = 0;
  const load = () => new Promise((resolve, reject) => {
    if (window.uPlot) { resolve(); return; }
    const style = Object.assign(document.createElement("link"), { rel: "stylesheet", href: past.dataset.style });
    const script = Object.assign(document.createElement("script"), { src: past.dataset.library, onload: resolve, onerror: reject });
    document.head.append(style, script);
  });
  const ink = (name) => getComputedStyle(document.body).getPropertyValue(name).trim();
  // How each kind of mark is drawn: colour, dashes.
  const LINES = { trip: ["--bad", []], hold: ["--deep", [4, 4]], "water-change": ["--link", [1, 3]] };
  const marked = (marks) => (plot) => {
    const { ctx, bbox } = plot;
    ctx.save();
    ctx.lineWidth = devicePixelRatio;
    for (const mark of marks) {
      const x = plot.valToPos(mark.at / 1000, "x", true);
      if (x < bbox.left || x > bbox.left + bbox.width) continue;
      const [colour, dash] = LINES[mark.kind] || LINES.hold;
      ctx.strokeStyle = ink(colour);
      ctx.setLineDash(dash.map((length) => length * devicePixelRatio));
      ctx.beginPath();
      ctx.moveTo(x, bbox.top);
      ctx.lineTo(x, bbox.top + bbox.height);
      ctx.stroke();
      if (mark.kind === "water-change") {
        // A drop at the top: one does not hang on colour or dashes.
        const [wide, top] = [4 * devicePixelRatio, bbox.top];
        ctx.setLineDash([]);
        ctx.fillStyle = ink(colour);
        ctx.beginPath();
        ctx.arc(x, top + 2.5 * wide, wide, -0.1 * Math.PI, 1.1 * Math.PI);
        ctx.lineTo(x, top);
        ctx.fill();
      }
    }
    ctx.restore();
  };
  const banded = (low, high) => (plot) => {
    if (low === null) return;
    const { ctx, bbox } = plot;
    const clip = (y) => Math.min(Math.max(y, bbox.top), bbox.top + bbox.height);
    const [top, bottom] = [clip(plot.valToPos(high, "y", true)), clip(plot.valToPos(low, "y", true))];
    ctx.save();
    ctx.fillStyle = ink("--held-paper");
    ctx.fillRect(bbox.left, top, bbox.width, bottom - top);
    ctx.restore();
  };
  // Times as the daemon writes them, in the tank's own zone: days where the range is long.
  const moment = (at) => {
    const parts = hours > 72 ? { month: "short", day: "numeric", ...(hours > 800 && { year: "2-digit" }) } : { hour: "2-digit", minute: "2-digit" };
    return new Date(at * 1000).toLocaleString("en-GB", { ...parts, timeZone: zone });
  };
  const draw = async () => {
    const turn = ++drawing;
    await load();
    for (const chart of charts) {
      const to = Math.floor(now() / 1000);
      const query = new URLSearchParams({ signal: chart.dataset.signal, from: to - hours * 3600, to, points: 300 });
      const answer = await fetch(`/api/v1/tanks/${tank}/history?${query}`, { credentials: "same-origin" });
      if (turn !== drawing) return;
      const known = answer.ok ? await answer.json() : { points: [], marks: [] };
      chart.hidden = known.points.length < 2;
      if (chart.hidden) continue;
      const unit = chart.dataset.unit;
      const [low, high] = chart.dataset.low ? [Number(chart.dataset.low), Number(chart.dataset.high)] : [null, null];
      // A gap stays a gap: where nothing came, nothing is drawn.
      const data = [[], [], [], []];
      let last = null;
      for (const point of known.points) {
        if (last !== null && point.at - last > 3 * known.every) { data[0].push(last + known.every); data.slice(1).forEach((row) => row.push(null)); }
        [point.at, point.least, point.greatest, point.mean].forEach((value, row) => data[row].push(value));
        last = point.at;
      }
      const least = Math.min(...known.points.map((point) => point.least));
      const greatest = Math.max(...known.points.map((point) => point.greatest));
      const name = chart.querySelector("figcaption");
      name.dataset.name ??= name.textContent;
      const count = (kind) => known.marks.filter((mark) => mark.kind === kind).length;
      const s = (many) => (many > 1 ? "s" : "");
      const words = { hold: (many) => `${many} line${s(many)} of holds`, trip: (many) => `${many} trip line${s(many)}`, "water-change": (many) => `${many} water change${s(many)}` };
      const told = Object.keys(words).filter(count).map((kind) => `, ${words[kind](count(kind))}`).join("");
      name.textContent = `${name.dataset.name}: ${least.toFixed(2)} to ${greatest.toFixed(2)} ${unit}${low === null ? "" : `, band ${low} to ${high}`}${told}`;
      const box = chart.querySelector(".plot");
      chart.drawn?.destroy();
      const axis = { stroke: ink("--soft"), grid: { stroke: ink("--line"), width: 1 }, ticks: { stroke: ink("--line") }, font: "14px system-ui, sans-serif" };
      const range = (plot, from, until) => {
        const edges = [from, until, low, high].filter((edge) => edge !== null);
        const [bottom, top] = [Math.min(...edges), Math.max(...edges)];
        const room = (top - bottom || 1) * 0.08;
        return [bottom - room, top + room];
      };
      chart.drawn = new window.uPlot({
        width: box.clientWidth, height: 190, legend: { show: false },
        tzDate: (at) => window.uPlot.tzDate(new Date(at * 1000), zone),
        cursor: { drag: { x: false, y: false } },
        scales: { x: { range: [to - hours * 3600, to] }, y: { range } },
        axes: [{ ...axis, values: (plot, at) => at.map(moment) }, { ...axis, size: 64 }],
        series: [{}, { stroke: "transparent", points: { show: false } }, { stroke: "transparent", points: { show: false } },
          { stroke: ink("--link"), width: 2, points: { show: false } }],
        bands: [{ series: [2, 1], fill: ink("--line") }],
        hooks: { drawClear: [banded(low, high)], draw: [marked(known.marks)] },
      }, data, box);
    }
  };
  const pick = (button) => {
    hours = Number(button.dataset.hours);
    all("button", button.parentElement).forEach((one) => one.setAttribute("aria-pressed", String(one === button)));
    draw();
  };
  if (charts.length) {
    past.querySelector(".ranges").hidden = false;
    all(".ranges button", past).forEach((button) => button.addEventListener("click", () => pick(button)));
    // First what matters now, then the past: nothing of it is fetched before it is looked at.
    let begun = false;
    const begin = () => { begun = true; draw().catch(() => {}); };
    new IntersectionObserver((seen, watcher) => {
      if (seen.some((one) => one.isIntersecting)) { watcher.disconnect(); begin(); }
    }, { rootMargin: "200px" }).observe(past);
    let sized;
    addEventListener("resize", () => { clearTimeout(sized); sized = setTimeout(() => { if (begun) draw().catch(() => {}); }, 300); });
    matchMedia("(prefers-color-scheme: dark)").addEventListener("change", () => { if (begun) draw().catch(() => {}); });
    setInterval(() => { if (begun && !document.hidden && !document.body.classList.contains("lost")) draw().catch(() => {}); }, 60000);
  }
}
