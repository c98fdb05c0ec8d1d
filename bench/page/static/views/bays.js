// All bays at a glance: a list on a phone, a wall board on a big screen.

import { html, useEffect, useState } from "../vendor/preact.js";
import { LANGUAGES, chooseLanguage, currentLanguage, t } from "../words.js";
import { ask, stop, store } from "../link.js";
import { Choice, Sign, Verdict, go, link } from "../parts.js";

const LOOK_MS = 500;

function useBays() {
  const [bays, set] = useState(null);
  const [old, setOld] = useState(false);
  useEffect(() => {
    const look = () => ask("/api/bays").then((found) => { set(found); setOld(false); }, () => setOld(true));
    look();
    const timer = setInterval(look, LOOK_MS);
    return () => clearInterval(timer);
  }, []);
  return [bays, old];
}

export function doingWords(bay) {
  if (!bay.board.connected) return t("board not there");
  if (bay.question) return t("waits for an answer");
  if (bay.doing?.circuit) return bay.doing.circuit;
  if (bay.doing) return t(bay.doing.step?.title || "begins");
  return bay.unit ? t("at rest") : t("empty");
}

export function Bays() {
  const [bays] = useBays();
  const [unit, setUnit] = useState("");
  return html`<ul class="rows bays">${(bays || []).map((bay) => html`<li><a href=${link("bay", bay.bay)}>
      <${Sign} of=${bay.doing ? "doing" : bay.verdict || "open"} size=${32} /><span><b>${bay.bay}</b>
      <small>${bay.unit || t("no trailer")} · ${doingWords(bay)}</small></span></a></li>`)}</ul>
    <form class="lookup" onSubmit=${(event) => { event.preventDefault(); if (unit.trim()) go("unit", unit.trim()); }}>
      <label>${t("History of a unit: its number or VIN")}<input value=${unit} onInput=${(event) => setUnit(event.target.value)} /></label>
      <button type="submit">${t("Look up")}</button></form>
    <p class="links"><a href=${link("wall")}>${t("Wall board")}</a> <a href=${link("devices")}>${t("Paired devices")}</a></p>
    <${Choice} name="language" label=${t("Language")} options=${Object.entries(LANGUAGES)} value=${currentLanguage()} set=${chooseLanguage} />`;
}

export function Wall() {
  const [bays, old] = useBays();
  return html`<main class="wall" aria-label=${t("Wall board")}><h1 class="unseen">${t("Wall board")}</h1>
    ${old && html`<p class="offline" role="alert">${t("No connection to the bench. What is shown is old.")}</p>`}
    <div class="cards">${(bays || []).map((bay) => html`<section class=${`wall-bay ${bay.question ? "asks" : ""}`} key=${bay.bay}>
      <header><h2>${bay.bay}</h2><span>${bay.control.holder?.name || t("nobody controls")}</span></header>
      <p class="wall-unit">${bay.unit || "–"}</p>
      <p class="wall-doing">${doingWords(bay)}</p>
      ${bay.doing?.step && html`<progress max=${bay.doing.step.count || 1} value=${bay.doing.done.length} aria-label=${t("Steps done")}></progress>`}
      ${bay.verdict && html`<${Verdict} of=${bay.verdict} big />`}
      ${bay.doing?.found.length > 0 && html`<p>${t("{n} found so far", { n: bay.doing.found.length })}</p>`}
      <button class="stop" onClick=${() => stop(bay.bay)}><b>${t("STOP")}</b> <small>${bay.bay}</small></button></section>`)}</div>
    <p class="links"><a href="#/">${t("Bays")}</a></p></main>`;
}
