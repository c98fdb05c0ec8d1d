// Pieces that several views share.

import { html, useEffect, useState, useRef } from "./vendor/preact.js";
import { t } from "./words.js";
import { act, complain, holder, mine, onChange, onLive, stop, store } from "./link.js";

export function useStore() {
  const [, again] = useState(0);
  useEffect(() => onChange(() => again((count) => count + 1)), []);
  return store;
}

export function useLive() {
  const [live, set] = useState(store.live);
  useEffect(() => onLive(set), []);
  return live;
}

export const go = (...parts) => { location.hash = "#/" + parts.map(encodeURIComponent).join("/"); };
export const link = (...parts) => "#/" + parts.map(encodeURIComponent).join("/");

// --- verdicts: a shape and a word, never a colour alone ---

const SHAPES = {
  pass: html`<circle class="fill" cx="12" cy="12" r="11" /><path d="M6.5 12.5l3.8 4L17.5 8" />`,
  fail: html`<path class="fill" d="M7.5 1h9L23 7.5v9L16.5 23h-9L1 16.5v-9z" /><path d="M7.5 7.5l9 9m0-9l-9 9" />`,
  unsure: html`<path class="fill" d="M12 1l11.5 21H.5z" /><path d="M9 11q0-3 3-3t3 2.6q0 1.6-3 2.9v1.5M12 18v.5" />`,
  "not-tested": html`<rect class="fill" x="1.5" y="1.5" width="21" height="21" /><path d="M7 12h10" />`,
  doing: html`<circle class="ring" cx="12" cy="12" r="9.5" /><circle class="fill" cx="12" cy="12" r="4" />`,
  skipped: html`<rect class="ring" x="2.5" y="2.5" width="19" height="19" /><path class="line" d="M7 17L17 7" />`,
  open: html`<circle class="ring" cx="12" cy="12" r="9.5" />`,
};
const WORDS = { pass: "Pass", fail: "Fail", unsure: "Unsure", "not-tested": "Not tested" };

export const verdictWord = (verdict) => t(WORDS[verdict] || "Not tested");

export function Sign({ of, size = 24 }) {
  return html`<svg class=${`sign ${of}`} viewBox="0 0 24 24" width=${size} height=${size} aria-hidden="true">
    ${SHAPES[of] || SHAPES.open}</svg>`;
}

export function Verdict({ of, big }) {
  return html`<span class=${`verdict ${of} ${big ? "big" : ""}`}><${Sign} of=${of} size=${big ? 64 : 22} />
    <span>${verdictWord(of)}</span></span>`;
}

// --- stopping ---

export function StopBar({ bay }) {
  return html`<div class="stop-bar"><button class="stop" onClick=${() => stop(bay)}>
    <svg viewBox="0 0 24 24" width="30" height="30" aria-hidden="true"><path d="M7.5 1h9L23 7.5v9L16.5 23h-9L1 16.5v-9z" /></svg>
    <span><b>${t("STOP")}</b> <small>${t("everything off")}${bay ? `: ${bay}` : ""}</small></span></button></div>`;
}

// --- holding ---

const HOLD_WORDS = {
  charge: "Hold to charge",
  apply: "Hold to apply the brakes",
  "timed application": "Hold to apply the brakes",
  applied: "Brakes held applied",
  "held for measuring": "Brakes held applied",
};

export function HoldPanel() {
  const hold = store.state?.hold;
  const [, again] = useState(0);
  useEffect(() => {
    const up = () => { holder.lift(); again((count) => count + 1); };
    const events = ["pointerup", "pointercancel", "blur"];
    events.forEach((name) => addEventListener(name, up));
    return () => { events.forEach((name) => removeEventListener(name, up)); holder.letGo(); };
  }, []);
  useEffect(() => wakeLock(), []);
  if (!hold?.needed) return null;
  const press = (event) => { event.preventDefault(); holder.press(); again((count) => count + 1); };
  const key = (event, down) => {
    if (event.key !== " " && event.key !== "Enter") return;
    event.preventDefault();
    if (down && !event.repeat) press(event);
    if (!down) { holder.lift(); again((count) => count + 1); }
  };
  const keeping = holder.keeping && !holder.finger;
  return html`<section class="hold" aria-live="polite">
    <button class=${`hold-button ${hold.held ? "held" : ""}`} aria-pressed=${hold.held} disabled=${!mine()}
      onPointerDown=${press} onKeyDown=${(event) => key(event, true)} onKeyUp=${(event) => key(event, false)}
      onContextMenu=${(event) => event.preventDefault()}>
      <span class="what">${t(HOLD_WORDS[hold.stage] || "Hold")}</span>
      <small>${t(hold.held ? (keeping ? "This phone holds: keep its screen on" : "Held: letting go releases") : "Press and keep pressing")}</small>
    </button>
    ${hold.keeps && hold.held && html`<p>${t("You may take your finger off. The brakes stay applied while this page is on the screen.")}</p>
      <button class="wide" onClick=${() => { holder.letGo(); again((count) => count + 1); }}>${t("Release the brakes")}</button>`}
  </section>`;
}

function wakeLock() {
  let lock = null;
  navigator.wakeLock?.request("screen").then((got) => { lock = got; }, () => {});
  return () => lock?.release();
}

// --- asking ---

export function Question() {
  const asked = store.state?.question;
  const card = useRef();
  useEffect(() => card.current?.scrollIntoView({ block: "nearest" }), [asked?.number]);
  if (!asked) return null;
  const answer = (value) => act("answer", "POST", { number: asked.number, answer: value });
  const wheelEnd = asked.key.startsWith("stroke-") ? asked.key.slice(7) : null;
  return html`<section class="question" ref=${card} key=${asked.number} role="group" aria-labelledby="asked">
    <h2 id="asked">${t(asked.text)}</h2>
    ${!mine() ? html`<p>${t("The device in control answers.")}</p>`
      : wheelEnd ? html`<${StrokeKeys} wheelEnd=${wheelEnd} answer=${answer} />`
      : html`<div class="pair">
          <button class="yes" onClick=${() => answer(true)}>${t("Yes")}</button>
          <button class="no" onClick=${() => answer(false)}>${t("No")}</button></div>
        <button class="quiet wide" onClick=${() => answer(null)}>${t("Can't say: leave it untested")}</button>`}
  </section>`;
}

const EIGHTHS = ["0", "1/8", "1/4", "3/8", "1/2", "5/8", "3/4", "7/8"];

function StrokeKeys({ wheelEnd, answer }) {
  const profile = store.visit?.profile;
  const metric = profile?.units === "metric";
  const end = profile?.wheel_ends.find((each) => each.name === wheelEnd);
  const [whole, setWhole] = useState("");
  const [part, setPart] = useState("0");
  const said = metric ? (whole ? `${whole} mm` : "") : inches(whole, part);
  const digit = (figure) => setWhole((now) => (now + figure).slice(-3));
  return html`<div class="strokes">
    <${Axles} ends=${profile?.wheel_ends || []} at=${wheelEnd} />
    <output class="entry" aria-live="polite">${end ? t(end.title) : wheelEnd}: <b>${said || "…"}</b></output>
    ${metric
      ? html`<div class="keys">${"123456789".split("").map((figure) => html`<button onClick=${() => digit(figure)}>${figure}</button>`)}
          <button onClick=${() => setWhole("")} aria-label=${t("Delete")}>⌫</button><button onClick=${() => digit("0")}>0</button>
          <button class="main" disabled=${!said} onClick=${() => answer(said)}>${t("OK")}</button></div>`
      : html`<div class="keys inches">${["0", "1", "2", "3"].map((figure) => html`<button aria-pressed=${whole === figure}
          onClick=${() => setWhole(figure)}>${figure}</button>`)}
          ${EIGHTHS.map((each) => html`<button aria-pressed=${part === each} onClick=${() => setPart(each)}>${each === "0" ? "+0" : each}</button>`)}</div>
          <button class="main wide" disabled=${!said} onClick=${() => answer(said)}>${said ? t("Enter {stroke}", { stroke: said }) : t("Choose whole inches")}</button>`}
    <button class="quiet wide" onClick=${() => answer(null)}>${t("Can't measure this one")}</button>
  </div>`;
}

const inches = (whole, part) => (whole === "" ? "" : part === "0" ? `${whole} in` : whole === "0" ? `${part} in` : `${whole} ${part} in`);

function Axles({ ends, at }) {
  const axles = [...new Set(ends.map((end) => end.axle))];
  return html`<svg class="axles" viewBox=${`0 0 200 ${axles.length * 44 + 20}`} role="img" aria-label=${t("Wheel ends, seen from above")}>
    <path class="frame" d=${`M78 6v${axles.length * 44 + 8}M122 6v${axles.length * 44 + 8}`} />
    ${axles.map((axle, row) => html`<path class="frame" d=${`M30 ${row * 44 + 32}h140`} />
      ${ends.filter((end) => end.axle === axle).map((end) => html`<rect class=${end.name === at ? "wheel at" : "wheel"} rx="3"
        x=${end.side === "left" ? 18 : 158} y=${row * 44 + 14} width="24" height="36" />`)}`)}</svg>`;
}

// --- forms ---

export function Choice({ name, options, value, set, label }) {
  return html`<fieldset class="choice"><legend>${label}</legend><div>${options.map(([key, text]) => html`
    <label class=${value === key ? "on" : ""}><input type="radio" name=${name} checked=${value === key} onChange=${() => set(key)} />
      <span>${text}</span></label>`)}</div></fieldset>`;
}

export function Ticks({ options, chosen, toggle, label }) {
  return html`<fieldset class="choice ticks"><legend>${label}</legend><div>${options.map(([key, text, sub]) => html`
    <label class=${chosen.has(key) ? "on" : ""}><input type="checkbox" checked=${chosen.has(key)} onChange=${() => toggle(key)} />
      <span>${text}${sub && html`<small>${sub}</small>`}</span></label>`)}</div></fieldset>`;
}

// What was chosen in a view is still chosen when a run has taken its place for a while.
const kept = new Map();
export function useKept(name, first) {
  const [value, set] = useState(kept.has(name) ? kept.get(name) : first);
  return [value, (next) => { kept.set(name, next); set(next); }];
}

export function useSet(name, first = []) {
  const [chosen, set] = useKept(name, new Set(first));
  return [chosen, (key) => { const next = new Set(chosen); next.has(key) ? next.delete(key) : next.add(key); set(next); }];
}

// A reason is needed: three usual ones with one tap, or words.
export function Skip({ what, skip }) {
  const [open, setOpen] = useState(false);
  const [reason, setReason] = useState("");
  const box = useRef();
  useEffect(() => open && box.current?.querySelector("button")?.focus(), [open]);
  if (!mine()) return null;
  const done = (text) => { setOpen(false); skip(text); };
  if (!open) return html`<button class="quiet wide skip" onClick=${() => setOpen(true)}>${what}…</button>`;
  return html`<section class="reasons" ref=${box}><h3>${t("Why is it left out?")}</h3>
    <div class="usual">${["not fitted", "no time", "customer's wish"].map((text) => html`<button onClick=${() => done(text)}>${t(text)}</button>`)}</div>
    <form onSubmit=${(event) => { event.preventDefault(); reason.trim().length > 1 ? done(reason.trim()) : complain(t("Say why it is left out.")); }}>
      <label>${t("Another reason")}<input value=${reason} maxlength="200" onInput=${(event) => setReason(event.target.value)} /></label>
      <div class="pair"><button type="submit">${t("Leave it out")}</button><button type="button" class="quiet" onClick=${() => setOpen(false)}>${t("Back")}</button></div>
    </form></section>`;
}

// --- figures ---

export const pressure = (pa, units) => (pa === null || pa === undefined ? "–"
  : units === "metric" ? `${Math.round(pa / 1000)} kPa` : `${(pa / 6894.757).toFixed(1)} psi`);
export const rate = (paPerMin, units) => (paPerMin === null || paPerMin === undefined ? "–"
  : units === "metric" ? `${(paPerMin / 1000).toFixed(1)} kPa/min` : `${(paPerMin / 6894.757).toFixed(2)} psi/min`);

export const titleOf = (name) => store.visit?.profile?.circuits.find((each) => each.name === name)?.title || name;

// A drawing that the server draws, as part of the page so that it follows light and dark.
export function Drawing({ which, run, stamp }) {
  const box = useRef();
  useEffect(() => {
    let gone = false;
    fetch(`/api/bays/${encodeURIComponent(store.bay)}/drawings/${which}?run=${encodeURIComponent(run || "")}`)
      .then((answer) => (answer.ok ? answer.text() : ""))
      .then((text) => {
        if (gone || !text || !box.current) return;
        const drawn = new DOMParser().parseFromString(text, "image/svg+xml").documentElement;
        box.current.replaceChildren(document.importNode(drawn, true));
        const mark = box.current.querySelector("circle.balloon");
        if (mark) box.current.scrollLeft += mark.getBoundingClientRect().left - box.current.getBoundingClientRect().left - 160;
      }, () => {});
    return () => { gone = true; };
  }, [which, run, stamp]);
  return html`<div class=${`drawing ${which}`} ref=${box} tabindex=${which === "harness" ? 0 : undefined}></div>`;
}

export const useBeep = () => (hertz, ms) => {
  const context = (window.beeper ||= new AudioContext());
  context.resume();
  const tone = context.createOscillator();
  const loud = context.createGain();
  tone.frequency.value = hertz;
  loud.gain.setValueAtTime(0.25, context.currentTime);
  loud.gain.exponentialRampToValueAtTime(0.001, context.currentTime + ms / 1000);
  tone.connect(loud).connect(context.destination);
  tone.start();
  tone.stop(context.currentTime + ms / 1000);
};
