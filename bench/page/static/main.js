// Which view is on the screen, and what is on every view: where you are, who controls, and STOP.

import { html, render, useEffect, useState, useErrorBoundary } from "./vendor/preact.js";
import { loadWords, t } from "./words.js";
import { complain, leave, mine, store, stop, watch, whoAmI } from "./link.js";
import { Sign, StopBar, Verdict, go, link, useLive, useStore } from "./parts.js";
import { ControlChip, Pairing, Devices } from "./views/people.js";
import { Bays, Wall } from "./views/bays.js";
import { Station, STATION_TITLES } from "./views/station.js";
import { Unit } from "./views/unit.js";

const NOTICE_MS = 15000;
const route = () => location.hash.replace(/^#\/?/, "").split("/").filter(Boolean).map(decodeURIComponent);

function Page() {
  useStore();
  const [where, setWhere] = useState(route());
  const [broken] = useErrorBoundary((error) => console.error(error));
  useEffect(() => {
    const moved = () => { setWhere(route()); scrollTo(0, 0); };
    addEventListener("hashchange", moved);
    return () => removeEventListener("hashchange", moved);
  }, []);
  const [view, ...rest] = where;
  const bay = view === "bay" ? rest[0] : null;
  useEffect(() => { bay ? watch(bay) : leave(); }, [bay]);
  if (broken) return html`<main><h1>${t("This view broke")}</h1><p>${t("Nothing that was measured is lost.")}</p>
    <button class="main wide" onClick=${() => location.reload()}>${t("Load it again")}</button></main><${StopBar} bay=${bay} />`;
  if (!store.me) return html`<main><h1 class="waiting">Umbilical</h1></main>${bay && html`<${StopBar} bay=${bay} />`}`;
  if (!store.me.watch) return html`<${Shell} title=${t("Pair this device")}><${Pairing} /><//>`;
  if (view === "wall") return html`<${Wall} />`;
  if (bay) return html`<${BayShell} bay=${bay} station=${rest[1]} />`;
  if (view === "devices") return html`<${Shell} title=${t("Paired devices")}><${Devices} /><//>`;
  if (view === "pair") return html`<${Shell} title=${t("Pair this device")}><${Pairing} done=${rest[0]} /><//>`;
  if (view === "unit") return html`<${Shell} title=${rest[0]}><${Unit} unit=${rest[0]} /><//>`;
  return html`<${Shell} title=${t("Bays")}><${Bays} /><//>`;
}

function Problem() {
  if (!store.error) return null;
  return html`<div class="problem" role="alert"><p>${t(store.error)}</p>
    <button onClick=${() => complain("")}>${t("Seen")}</button></div>`;
}

function Shell({ title, children }) {
  const bays = store.me.bays;
  return html`<header class="top"><a class="home" href="#/">${t("Bays")}</a><h1>${title}</h1></header>
    <${Problem} /><main>${children}</main>
    ${bays.length === 1 ? html`<${StopBar} bay=${bays[0]} />` : html`<div class="stop-bar several">${bays.map((bay) => html`
      <button class="stop" onClick=${() => stop(bay)}><b>${t("STOP")}</b> <small>${bay}</small></button>`)}</div>`}`;
}

function BayShell({ bay, station }) {
  const { state, visit, online } = store;
  const stations = visit?.stations || [];
  const suggested = state?.station && stations.some((each) => each.name === state.station) ? state.station : stations.at(-1)?.name;
  const at = station || (visit ? suggested : "check-in") || "check-in";
  return html`<header class="top"><a class="home" href="#/">${t("Bays")}</a>
      <div class="who"><h1>${state?.unit || bay}</h1><p>${state?.unit ? `${bay} ` : ""}<${Supply} /></p></div><${ControlChip} /></header>
    ${!online && html`<p class="offline" role="alert">${t("No connection to the bench. What is shown is old. Held brakes are released.")}</p>`}
    ${state && !state.board.connected && html`<p class="offline" role="alert">${t("The board is not there")}: ${state.board.why}</p>`}
    <${Problem} />
    <div class="bay"><${Route} bay=${bay} stations=${stations} at=${at} />
      <main class=${`at-${at}`}>${state && html`<${Notices} />`}${state && visit !== undefined && html`<${Station} at=${at} bay=${bay} key=${at} />`}</main></div>
    <${StopBar} bay=${bay} />`;
}

// The supply, as the board reads it now; its instant by the board's clock stands beside it for whoever measures.
function Supply() {
  const live = useLive();
  return live && html`<output class="supply" data-u=${live.u} aria-live="off" aria-label=${t("supply")}>${live.v.toFixed(1)} V</output>`;
}

// The newest remark of the session, once; the list of stations, one line on a phone and a column beside on a desk.
function Notices() {
  const [seen, setSeen] = useState(0);
  const newest = store.state.notices.at(-1)?.n || 0;
  useEffect(() => {
    const timer = setTimeout(() => setSeen(newest), NOTICE_MS);
    return () => clearTimeout(timer);
  }, [newest]);
  const fresh = (store.state.notices || []).filter((each) => each.n > seen);
  if (!fresh.length) return null;
  return html`<div class="notices" role="status">${fresh.slice(-2).map((each) => html`<p>${t(each.text)}</p>`)}
    <button class="quiet" onClick=${() => setSeen(fresh.at(-1).n)}>${t("Seen")}</button></div>`;
}

function Route({ bay, stations, at }) {
  const [open, setOpen] = useState(false);
  if (!stations.length) return html`<nav class="route" hidden></nav>`;
  const sign = (each) => (each.name === at ? "doing" : each.how === "done" ? "pass" : each.how === "skipped" ? "skipped" : "open");
  const number = stations.findIndex((each) => each.name === at) + 1;
  return html`<nav class=${`route ${open ? "open" : ""}`} aria-label=${t("Stations of this visit")}>
    <button class="route-head" aria-expanded=${open} onClick=${() => setOpen(!open)}>
      <span>${number}/${stations.length}</span> <b>${t(STATION_TITLES[at] || at)}</b> <span aria-hidden="true">${open ? "▴" : "▾"}</span></button>
    <ol>${stations.map((each) => html`<li><a href=${link("bay", bay, each.name)} aria-current=${each.name === at ? "step" : undefined}
      onClick=${() => setOpen(false)}><${Sign} of=${sign(each)} /><span>${t(STATION_TITLES[each.name])}
      ${each.how === "skipped" && html`<small>${t("left out")}: ${t(each.reason)}</small>`}</span></a></li>`)}</ol></nav>`;
}

await loadWords();
render(html`<${Page} />`, document.getElementById("page"));
whoAmI().then(() => { if (!location.hash && store.me.bays.length === 1) go("bay", store.me.bays[0]); },
  () => setTimeout(() => location.reload(), 3000));
