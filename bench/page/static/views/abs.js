// The ABS warning lamp: does it light at power-on and go out, and what does it blink?

import { html, useRef } from "../vendor/preact.js";
import { t } from "../words.js";
import { act, mine, store } from "../link.js";
import { Choice, useKept } from "../parts.js";

const PAUSE_MS = 1500; // between two figures of a code; common practice, no source

export function Abs({ next }) {
  const circuit = store.visit.profile.circuits.find((each) => /abs/i.test(each.name + each.title));
  const [lamp, setLamp] = useKept("abs-lamp", "");
  const [taps, setTaps] = useKept("abs-taps", []);
  const groups = grouped(taps);
  const code = groups.join("-");
  const clear = useRef();
  const save = async () => {
    const said = { out: "lit at power-on, then went out", on: "lit at power-on and stayed on", never: "never lit" }[lamp];
    const text = [said && `ABS lamp: ${said}`, code && `ABS blink code counted by a person: ${code}`].filter(Boolean).join("; ");
    if (text && await act("notes", "POST", { about: "abs", text })) next();
  };
  return html`<p class="hint">${t("Power the ABS circuit and look at its lamp: at the left, by the rear side marker.")}</p>
    <button class="wide" disabled=${!mine() || !circuit} onClick=${() => act("runs", "POST", { run: { kind: "power", only: [circuit.name], seconds: 60 } })}>${t("Power the ABS circuit for a minute")}</button>
    <${Choice} name="lamp" label=${t("The lamp")} value=${lamp} set=${setLamp} options=${[["out", t("lit, then went out")], ["on", t("lit and stayed on")], ["never", t("never lit")]]} />
    <section class="taps"><h3>${t("Count a blink code")}</h3>
      <button class="tap" onClick=${() => { navigator.vibrate?.(20); setTaps([...taps, performance.now()]); }}>${t("Tap at every blink")}<b>${taps.length ? groups.at(-1) : ""}</b></button>
      <output aria-live="polite">${code || "–"}</output>
      <button class="quiet wide" ref=${clear} disabled=${!taps.length} onClick=${() => setTaps([])}>${t("Count again")}</button></section>
    <button class="main wide" disabled=${!mine() || (!lamp && !code)} onClick=${save}>${t("Keep and go on")}</button>`;
}

export function grouped(taps) {
  const groups = [];
  taps.forEach((at, index) => (index && at - taps[index - 1] < PAUSE_MS ? groups[groups.length - 1]++ : groups.push(1)));
  return groups;
}
