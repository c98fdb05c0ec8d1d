// One station of a visit, and what a run shows while it goes on, wherever it was begun.

import { html } from "../vendor/preact.js";
import { t } from "../words.js";
import { act, mine, store } from "../link.js";
import { HoldPanel, Question, Sign, Skip, Verdict, go } from "../parts.js";
import { TakeControl } from "./people.js";
import { CheckIn } from "./checkin.js";
import { Findings } from "./findings.js";
import { Lamps, LitNow } from "./lamps.js";
import { Wiggle, WiggleNow } from "./wiggle.js";
import { Abs } from "./abs.js";
import { Air, AirNow } from "./air.js";
import { Retest, SignOff } from "./finish.js";

export const STATION_TITLES = {
  "check-in": "Check in", cautions: "Cautions", circuits: "Circuits", findings: "Findings", lamps: "Lamps",
  wiggle: "Wiggle", abs: "ABS lamp", air: "Air brakes", retest: "Retest", sign: "Sign",
};

const VIEWS = { "check-in": CheckIn, cautions: Cautions, circuits: Circuits, findings: Findings, lamps: Lamps,
  wiggle: Wiggle, abs: Abs, air: Air, retest: Retest, sign: SignOff };

export function Station({ at, bay }) {
  const { state, visit } = store;
  const View = VIEWS[at] || CheckIn;
  if (state.doing) return html`<${Doing} />`;
  if (!visit && at !== "check-in") return html`<p>${t("No trailer is checked in.")}</p>
    <button class="main wide" onClick=${() => go("bay", bay, "check-in")}>${t("Check in")}</button>`;
  const station = visit?.stations.find((each) => each.name === at);
  return html`<${TakeControl} /><h2 class="station-title">${t(STATION_TITLES[at] || at)}</h2>
    ${station?.how === "skipped" && html`<p class="left-out"><${Sign} of="skipped" /> ${t("left out")}: ${t(station.reason)}
      <button onClick=${() => act(`stations/${at}`, "PUT", { how: "open" })}>${t("Do it after all")}</button></p>`}
    <${View} bay=${bay} next=${() => leave(at, bay)} />
    ${visit && !["check-in", "findings", "sign"].includes(at) && station?.how === "open" && html`
      <${Skip} what=${t("Leave this station out")} skip=${(reason) => leave(at, bay, reason)} />`}`;
}

export async function leave(at, bay, reason = "") {
  const names = store.visit.stations.map((each) => each.name);
  if (mine()) await act(`stations/${at}`, "PUT", { how: reason ? "skipped" : "done", reason });
  go("bay", bay, names[Math.min(names.indexOf(at) + 1, names.length - 1)]);
}

function Cautions({ next }) {
  return html`<ul class="cautions">${store.visit.profile.cautions.map((text) => html`<li>${t(text)}</li>`)}</ul>
    <button class="main wide" disabled=${!mine()} onClick=${next}>${t("Read, and seen to")}</button>`;
}

function Circuits({ next }) {
  const run = store.visit.runs.filter((each) => each.command === "inspect" && each.steps.some((step) => step.step === "circuits" || step.step === "supply")).at(-1);
  return html`${run && html`<div class="outcome"><${Verdict} of=${run.verdict} big /><p>${run.statement}</p></div>
      <${Steps} steps=${run.steps} />
      <button class="main wide" onClick=${next}>${run.findings.length ? t("To the findings") : t("Next")}</button>`}
    <button class=${run ? "wide" : "main wide"} disabled=${!mine() || !store.state.board.connected}
      onClick=${() => act("runs", "POST", { run: { kind: "inspect", part: "circuits" } })}>${run ? t("Test again") : t("Test all circuits")}</button>
    ${!run && html`<p class="hint">${t("Every circuit is powered gently, one after the other. It takes less than a minute.")}</p>`}`;
}

export function Steps({ steps, titles = [], now }) {
  return html`<ol class="steps">${steps.map((each) => html`<li key=${each.step}><${Sign} of=${each.verdict} /><span><b>${t(each.title)}</b>
    ${each.reason && html`<small>${t(each.reason)}</small>`}</span></li>`)}
    ${now && html`<li class="now" key="now"><${Sign} of="doing" /><span><b>${t(now)}</b></span></li>`}</ol>`;
}

// --- a run that goes on ---

export function Doing() {
  const { doing, question } = store.state;
  const Now = { walk: LitNow, power: LitNow, wiggle: WiggleNow }[doing.command] || AirNow;
  const step = doing.step;
  return html`<section class="doing"><${TakeControl} />
    ${doing.cautions.length > 0 && html`<details class="said" open=${!!question}><summary>${t("Cautions")}</summary>
      <ul class="cautions">${doing.cautions.map((text) => html`<li>${t(text)}</li>`)}</ul></details>`}
    <${Question} /><${HoldPanel} />
    ${!question && html`<${Now} />`}
    ${["inspect", "retest"].includes(doing.command) && html`
      <p class="count">${step ? t("Step {n} of {count}", { n: step.number, count: step.count }) : t("begins")}</p>
      <${Steps} steps=${doing.done} now=${step && !doing.done.some((each) => each.step === step.name) ? step.title : null} />
      ${doing.found.length > 0 && html`<p class="found" role="status">${t("{n} found so far", { n: doing.found.length })}: ${doing.found.map((each) => t(each.title)).join(", ")}</p>`}
      <${Skip} what=${t("Leave this step out")} skip=${(reason) => act("skip", "POST", { reason })} />`}
  </section>`;
}
