// What is wrong, where it is, what to do next; notes and photos of it.

import { html, useRef, useState } from "../vendor/preact.js";
import { t } from "../words.js";
import { act, complain, mine, store } from "../link.js";
import { Drawing, Sign } from "../parts.js";

const SEVERITY = { safety: "Safety", defect: "Defect", advice: "Advice" };
const LONGEST_SIDE = 1600;

export const judging = () => store.visit.runs.filter((run) => run.command === "inspect" && run.findings.length > 0);

export function Findings({ next }) {
  const runs = newest(store.visit.runs.filter((run) => run.command === "inspect"));
  const count = runs.reduce((sum, run) => sum + run.findings.length, 0);
  return html`${!runs.length && html`<p>${t("Nothing was tested yet.")}</p>`}
    ${runs.length > 0 && !count && html`<p class="found"><${Sign} of="pass" /> ${t("No fault was found.")}</p>`}
    ${runs.map((run) => html`<section key=${run.id}>
      ${run.findings.map((finding) => html`<${Card} finding=${finding} key=${finding.key} />`)}
      ${run.steps.some((step) => step.step === "circuits") && html`<details class="drawings" open=${run.findings.length > 0}>
        <summary>${t("Drawings")}</summary><${Drawing} which="face" run=${run.id} /><${Drawing} which="harness" run=${run.id} /></details>`}
    </section>`)}
    <${Remarks} about="" />
    <button class="main wide" onClick=${next}>${t("Next")}</button>`;
}

// Of runs of the same steps, only the newest.
export function newest(runs) {
  const bySteps = new Map(runs.map((run) => [run.steps.some((step) => AIR.includes(step.step)) ? "air" : "circuits", run]));
  return [...bySteps.values()];
}
const AIR = ["air-sensors", "charge", "supply-leak", "service-leak", "timing", "stroke", "modulators", "emergency", "air-safe"];

export function Card({ finding }) {
  const closed = store.visit.closed.includes(finding.key);
  return html`<article class=${`card ${finding.severity} ${closed ? "closed" : ""}`}>
    <header><span class="number">${finding.number}</span><h3>${t(finding.title)}</h3>
      <span class="severity">${closed ? t("closed by retest") : t(SEVERITY[finding.severity])}</span></header>
    <p class="place">${finding.place || finding.circuits}</p>
    <p>${finding.explain}</p>
    <p class="next"><b>${t("Do next")}</b> ${finding.next}</p>
    <details><summary>${t("Why")}: ${finding.sure}</summary>
      <dl>${finding.circuits && html`<dt>${t("Circuit")}</dt><dd>${finding.circuits}</dd>`}${finding.size && html`<dt>${t("How bad")}</dt><dd>${finding.size}</dd>`}
      ${finding.evidence.map(([name, value]) => html`<dt>${name}</dt><dd>${value}</dd>`)}</dl>
      ${finding.alternatives.length > 0 && html`<p>${t("It may also be:")}</p><ul>${finding.alternatives.map((each) => html`<li>${each}</li>`)}</ul>`}
      ${finding.source && html`<p class="hint">${t("Limit from")}: ${finding.source}</p>`}</details>
    <${Remarks} about=${finding.key} />
  </article>`;
}

export function Remarks({ about }) {
  const said = store.visit.remarks.filter((each) => each.about === about);
  const [text, setText] = useState("");
  const [open, setOpen] = useState(false);
  const file = useRef();
  const add = async (event) => {
    event.preventDefault();
    if (text.trim() && await act("notes", "POST", { about, text })) { setText(""); setOpen(false); }
  };
  const send = async (event) => {
    const chosen = event.target.files[0];
    event.target.value = "";
    if (chosen) await act(`photos?about=${encodeURIComponent(about)}`, "POST", await smaller(chosen));
  };
  return html`<div class="remarks">
    ${said.map((each) => html`<figure key=${each.number}>${each.photo && html`<img loading="lazy" alt=${t("photo {n}", { n: each.number })}
      src=${`/api/bays/${encodeURIComponent(store.bay)}/photos/${each.photo}`} />`}
      <figcaption>${each.photo ? "" : each.text} <small>${each.author}, ${each.written.slice(11, 16)}</small></figcaption></figure>`)}
    ${mine() && html`<div class="pair"><button class="quiet" aria-expanded=${open} onClick=${() => setOpen(!open)}>${t("Note")}</button>
      <button class="quiet" onClick=${() => file.current.click()}>${t("Photo")}</button></div>
      <input class="unseen" ref=${file} type="file" accept="image/jpeg,image/png,image/webp" capture="environment" tabindex="-1" aria-label=${t("Photo")} onChange=${send} />`}
    ${open && html`<form onSubmit=${add}><label>${t("Note")}<textarea rows="3" maxlength="2000" value=${text} onInput=${(event) => setText(event.target.value)}></textarea></label>
      <button type="submit" class="wide">${t("Keep the note")}</button></form>`}</div>`;
}

// A phone's photo has ten times the pixels that a report needs.
async function smaller(file) {
  try {
    const picture = await createImageBitmap(file, { imageOrientation: "from-image" });
    const scale = Math.min(1, LONGEST_SIDE / Math.max(picture.width, picture.height));
    const canvas = document.createElement("canvas");
    canvas.width = Math.round(picture.width * scale);
    canvas.height = Math.round(picture.height * scale);
    canvas.getContext("2d").drawImage(picture, 0, 0, canvas.width, canvas.height);
    return await new Promise((done) => canvas.toBlob((blob) => done(blob || file), "image/jpeg", 0.85));
  } catch {
    complain("This browser can't read the photo; it is sent as it is.");
    return file;
  }
}
