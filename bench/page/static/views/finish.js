// After the repair: only what failed again. Then sign, and take the report.

import { html, useState } from "../vendor/preact.js";
import { t } from "../words.js";
import { act, ask, complain, mine, store } from "../link.js";
import { Sign, Verdict, go } from "../parts.js";
import { STATION_TITLES, Steps } from "./station.js";
import { Remarks, newest } from "./findings.js";

export function Retest({ next }) {
  const runs = newest(store.visit.runs.filter((run) => run.command === "inspect"));
  const closed = (finding) => store.visit.closed.includes(finding.key);
  const open = runs.filter((run) => run.findings.some((finding) => !closed(finding)));
  const last = store.visit.runs.filter((run) => run.command === "retest").at(-1);
  return html`${!open.length && html`<p class="found"><${Sign} of="pass" /> ${runs.length ? t("Nothing is left to test again.") : t("Nothing was tested yet.")}</p>`}
    ${runs.map((run) => html`<ul class="rows" key=${run.id}>${run.findings.map((finding) => html`<li><${Sign} of=${closed(finding) ? "pass" : "fail"} />
      <span><b>${finding.number} ${t(finding.title)}</b><small>${finding.place || finding.circuits}</small></span><span>${closed(finding) ? t("closed") : t("open")}</span></li>`)}</ul>
      ${run.findings.some((finding) => !closed(finding)) && html`<button class="main wide" disabled=${!mine()}
        onClick=${() => act("runs", "POST", { run: { kind: "retest", record: run.id } })}>${t("Test again what failed")}</button>`}`)}
    ${last && html`<h3>${t("The last retest")}</h3><${Steps} steps=${last.steps} />`}
    <button class=${open.length ? "wide" : "main wide"} onClick=${next}>${t("Next")}</button>`;
}

export function SignOff({ bay }) {
  const { visit } = store;
  const [name, setName] = useState(visit.operator || "");
  const tested = visit.runs.length > 0;
  const away = async () => { if (await act("visit", "DELETE")) go("bay", bay, "check-in"); };
  return html`<div class="outcome"><${Verdict} of=${visit.verdict} big />
      <p>${t("The bench gives evidence; a qualified person decides.")}</p></div>
    <ul class="rows">${visit.stations.filter((each) => each.name !== "sign").map((each) => html`<li><${Sign} of=${each.how === "done" ? "pass" : each.how === "skipped" ? "skipped" : "open"} />
      <span><b>${t(STATION_TITLES[each.name])}</b>${each.how === "skipped" && html`<small>${t("left out")}: ${t(each.reason)}</small>`}</span></li>`)}</ul>
    <h3>${t("Reports")}</h3>
    <ul class="rows">${visit.runs.map((run) => html`<li><a href=${`/api/records/${run.id}/report`} target="_blank" rel="noopener">
      <span><b>${t(TITLES[run.command] || run.command)}</b><small>${run.started.slice(11, 16)} · ${run.id}</small></span><${Verdict} of=${run.verdict} /></a></li>`)}</ul>
    <${Remarks} about="sign" />
    ${visit.signature ? html`<p class="signed" role="status"><${Sign} of="pass" /> ${t("Signed by {name} at {time}", { name: visit.signature.name, time: visit.signature.written.slice(11, 16) })}</p>
        <button class="main wide" disabled=${!mine()} onClick=${away}>${t("Next trailer")}</button>`
      : html`<form onSubmit=${(event) => { event.preventDefault(); act("signature", "POST", { name }); }}>
        <label>${t("I have seen these results and stand by them. Name")}<input value=${name} maxlength="80" onInput=${(event) => setName(event.target.value)} /></label>
        <button class="main wide" type="submit" disabled=${!mine() || !tested || !name.trim()}>${t("Sign")}</button></form>
        <button class="quiet wide" disabled=${!mine()} onClick=${away}>${t("End the visit unsigned")}</button>`}`;
}

const TITLES = { inspect: "Inspection", retest: "Retest", walk: "Walk-round", power: "Lasting power", wiggle: "Wiggle test", brakes: "Brakes held by hand" };
