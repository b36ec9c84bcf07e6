// Makes the page live. Without it everything can still be read; loading again brings what is new.
"use strict";

const loadedMs = performance.now();
const serverS = Number(document.documentElement.dataset.now);
const nowS = () => serverS + (performance.now() - loadedMs) / 1000;

// The same words as the server's (units.age).
function span(s) {
  s = Math.max(0, Math.round(s));
  if (s < 100) return `${s} s`;
  if (s < 6000) return `${Math.round(s / 60)} min`;
  if (s < 172800) return `${Math.round(s / 3600)} h`;
  return `${Math.round(s / 86400)} days`;
}

function keepAges() {
  for (const one of document.querySelectorAll("time[data-s]")) {
    const words = `${span(nowS() - Number(one.dataset.s))} ago`;
    if (one.textContent !== words) one.textContent = words;
  }
}

// -- live --------------------------------------------------------------------------------------

let fetching = false;
let again = false;

function busyInside(part) {
  const at = document.activeElement;
  return part.contains(at) && at.matches("input, select, textarea");
}

async function refresh() {
  if (fetching) { again = true; return; }
  fetching = true;
  try {
    const answer = await fetch(location.pathname + location.search, { headers: { "x-sashkeeper-live": "1" } });
    if (answer.redirected && new URL(answer.url).pathname === "/sign-in") { location.reload(); return; }
    if (!answer.ok) return;
    const fresh = new DOMParser().parseFromString(await answer.text(), "text/html");
    for (const part of document.querySelectorAll("[data-live]")) {
      const other = fresh.getElementById(part.id);
      if (!other || busyInside(part)) continue;
      other.querySelectorAll("time[data-s]").forEach((t) => { t.textContent = ""; });
      const bare = part.cloneNode(true);
      bare.querySelectorAll("time[data-s]").forEach((t) => { t.textContent = ""; });
      if (bare.innerHTML === other.innerHTML && part.className === other.className) continue;
      const focused = part.contains(document.activeElement) ? document.activeElement.id : "";
      part.className = other.className;
      part.replaceChildren(...other.childNodes);
      if (focused) document.getElementById(focused)?.focus();
    }
    keepAges();
    for (const figure of document.querySelectorAll(".drawing[data-frame]")) makeReadable(figure);
  } catch { /* the line says so below */ } finally {
    fetching = false;
    if (again) { again = false; refresh(); }
  }
}

function say(words) {
  const line = document.getElementById("line");
  if (line && line.textContent !== words) line.textContent = words;
}

function listen() {
  const news = new EventSource("/news");
  news.addEventListener("change", refresh);
  let lost = false;
  news.onopen = () => { say("This page keeps itself up to date."); if (lost) refresh(); lost = false; };
  news.onerror = () => {
    lost = true;
    say("The keeper does not answer; what you see is getting older.");
    if (news.readyState === EventSource.CLOSED) setTimeout(listen, 5000);
  };
  addEventListener("pagehide", () => news.close(), { once: true });
}

// -- reading a chart by finger or mouse ----------------------------------------------------------

const rowsKept = new Map();

async function rowsOf(figure) {
  const { frame, from, to } = figure.dataset;
  const address = `/api/frames/${frame}/readings?from_s=${from}&to_s=${to}&step_s=600`;
  if (!rowsKept.has(address)) {
    rowsKept.set(address, fetch(address).then((a) => (a.ok ? a.json() : { rows: [], unit: "" })));
  }
  return rowsKept.get(address);
}

function makeReadable(figure) {
  if (figure.dataset.ready) return;
  figure.dataset.ready = "1";
  const caption = figure.querySelector(".readout");
  const usual = caption.textContent;
  figure.querySelectorAll("svg").forEach((svg, n) => {
    const [left, right, width] = ["left", "right", "width"].map((k) => Number(figure.dataset[k].split(" ")[n]));
    const height = svg.viewBox.baseVal.height;
    let pointer = null;
    const show = async (event) => {
      const box = svg.getBoundingClientRect();
      const x = ((event.clientX - box.left) / box.width) * width;
      const share = (x - left) / (width - right - left);
      if (share < 0 || share > 1) return;
      const from = Number(figure.dataset.from), to = Number(figure.dataset.to);
      const at = from + share * (to - from);
      const { rows, unit, zone } = await rowsOf(figure);
      const row = rows.reduce((best, r) => (!best || Math.abs(r.time_s + 300 - at) < Math.abs(best.time_s + 300 - at) ? r : best), null);
      if (!row || Math.abs(row.time_s + 300 - at) > 1200) { caption.textContent = "No reading there."; return; }
      if (!pointer) {
        pointer = document.createElementNS("http://www.w3.org/2000/svg", "line");
        pointer.setAttribute("class", "pointer");
        pointer.setAttribute("y1", "16"); pointer.setAttribute("y2", String(height - 20));
        svg.append(pointer);
      }
      pointer.setAttribute("x1", x.toFixed(1)); pointer.setAttribute("x2", x.toFixed(1));
      const clock = new Date(row.time_s * 1000).toLocaleTimeString("en-GB", { hour: "2-digit", minute: "2-digit", timeZone: zone });
      const parts = [["air", "inside"], ["outside", "outside"], ["soil", "soil"]]
        .filter(([k]) => row[k] != null).map(([k, word]) => `${word} ${row[k].toFixed(1)} ${unit}`);
      if (row.lid != null) parts.push(`lid ${Math.round(row.lid * 100)} % open`);
      caption.textContent = `${clock}: ${parts.join(", ")} (means of ten minutes)`;
    };
    svg.addEventListener("pointermove", show);
    svg.addEventListener("pointerdown", show);
    svg.addEventListener("pointerleave", () => { pointer?.remove(); pointer = null; caption.textContent = usual; });
  });
}

// -- messages on this phone ------------------------------------------------------------------------

const asBytes = (text) => Uint8Array.from(atob(text.replace(/-/g, "+").replace(/_/g, "/")), (c) => c.charCodeAt(0));

async function call(method, path, body) {
  const headers = { "x-sashkeeper-token": document.body.dataset.token };
  if (body) headers["content-type"] = "application/json";
  const answer = await fetch(path, { method, headers, body: body && JSON.stringify(body) });
  if (!answer.ok) throw new Error((await answer.json()).detail);
  return answer.status === 204 ? null : answer.json();
}

async function phonePage() {
  const state = document.getElementById("push-state");
  if (!state) return;
  const on = document.getElementById("push-on"), off = document.getElementById("push-off"), test = document.getElementById("push-test");
  document.querySelectorAll(".forget").forEach((button) => {
    button.hidden = false;
    button.addEventListener("click", async () => {
      try { await call("DELETE", `/api/phones/${button.dataset.phone}`); button.closest("li").remove(); } catch (fault) { state.textContent = fault.message; }
    });
  });
  if (!("serviceWorker" in navigator) || !("PushManager" in window)) {
    state.textContent = isSecureContext
      ? "This browser cannot take messages. Use the ways in sashkeeper.toml instead."
      : "Messages need an enciphered page (https), so that nobody can pretend to be the keeper. Set page.cert_file and page.key_file, or use the ways in sashkeeper.toml.";
    return;
  }
  const worker = await navigator.serviceWorker.register("/worker.js");
  const show = async () => {
    const have = await worker.pushManager.getSubscription();
    on.hidden = Boolean(have); off.hidden = test.hidden = !have;
    state.textContent = have ? "This phone gets messages." : "This phone gets no messages yet.";
  };
  const guarded = (what) => async () => { try { await what(); } catch (fault) { state.textContent = `It did not work: ${fault.message}`; } };
  on.addEventListener("click", guarded(async () => {
    const { key } = await call("GET", "/api/phones/key");
    const have = await worker.pushManager.subscribe({ userVisibleOnly: true, applicationServerKey: asBytes(key) });
    await call("POST", "/api/phones", have.toJSON());
    await show();
  }));
  off.addEventListener("click", guarded(async () => {
    const have = await worker.pushManager.getSubscription();
    if (have) { await call("POST", "/api/phones/forget", { endpoint: have.endpoint }); await have.unsubscribe(); }
    await show();
  }));
  test.addEventListener("click", guarded(async () => {
    await call("POST", "/api/phones/test", {});
    state.textContent = "A test is on its way.";
  }));
  await show();
}

keepAges();
setInterval(keepAges, 5000);
if (document.body.dataset.token) {
  listen();
  document.querySelectorAll(".drawing[data-frame]").forEach(makeReadable);
  phonePage().catch((fault) => { document.getElementById("push-state").textContent = `It did not work: ${fault.message}`; });
}
