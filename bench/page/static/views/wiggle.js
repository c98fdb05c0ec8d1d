// A contact that comes and goes: move the wire and listen.

import { html, useEffect, useRef, useState } from "../vendor/preact.js";
import { t } from "../words.js";
import { act, mine, store } from "../link.js";
import { Ticks, titleOf, useBeep, useSet } from "../parts.js";

const SOUNDS = { broke: [330, 220], shorted: [160, 420], made: [880, 90], cleared: [990, 90], lit: [660, 60] };
const SHAKES = { broke: [120], shorted: [80, 40, 80, 40, 80] };
const WHAT = { made: "contact again", broke: "BROKE", shorted: "SHORTED", cleared: "short over", lit: "lit again" };
const PLACES = ["nose", "front third", "middle", "rear third", "axles", "rear lamps"];

export function Wiggle({ next }) {
  const { profile } = store.visit;
  const beep = useBeep();
  const [chosen, toggle] = useSet("wiggle");
  const start = () => {
    beep(880, 60);
    act("runs", "POST", { run: { kind: "wiggle", only: chosen.size ? [...chosen] : null } });
  };
  return html`<p class="hint">${t("Move the harness from the nose to the rear. One low tone: contact broke. A long deep one: shorted.")}</p>
    <${Ticks} label=${t("Circuits; none chosen means all")} chosen=${chosen} toggle=${toggle} options=${profile.circuits.map((each) => [each.name, each.title, t("pin {n}", { n: each.pin })])} />
    <button class="main wide" disabled=${!mine() || !store.state.board.wiggle} onClick=${start}>${t("Start to watch")}</button>
    ${!store.state.board.wiggle && html`<p class="hint">${t("This board can't watch contacts.")}</p>`}
    <button class="wide" onClick=${next}>${t("Next")}</button>`;
}

export function WiggleNow() {
  const { doing } = store.state;
  const beep = useBeep();
  const heard = useRef(doing.changes.at(-1)?.n || 0);
  const [mark, setMark] = useState("");
  useEffect(() => {
    for (const change of doing.changes.filter((each) => each.n > heard.current)) {
      beep(...(SOUNDS[change.what] || SOUNDS.made));
      if (SHAKES[change.what]) navigator.vibrate?.(SHAKES[change.what]);
      heard.current = change.n;
    }
  }, [doing.changes.at(-1)?.n]);
  const count = (what) => doing.changes.filter((each) => each.what === what).length;
  const last = doing.changes.at(-1);
  const place = (text) => { setMark(text); act("line", "POST", { text }); };
  return html`<div class=${`wiggle ${last ? last.what : ""}`}>
    <div class="counts"><p><b>${count("broke")}</b> ${t("openings")}</p><p><b>${count("shorted")}</b> ${t("shorts")}</p></div>
    <p class="huge" role="status">${last ? `${titleOf(last.circuit)}: ${t(WHAT[last.what])}` : t("quiet so far")}</p>
    ${mine() && html`<fieldset class="places"><legend>${t("Where is your hand?")}</legend>${PLACES.map((each) => html`
      <button aria-pressed=${mark === each} onClick=${() => place(t(each))}>${t(each)}</button>`)}</fieldset>
      <button class="main wide" onClick=${() => act("line", "POST", { text: "" })}>${t("End the watch")}</button>`}
    <ol class="changes" reversed>${[...doing.changes].reverse().slice(0, 12).map((each) => html`<li key=${each.n}><b>${titleOf(each.circuit)}</b>
      ${t(WHAT[each.what])} ${each.mark && html`<small>${each.mark}</small>`}</li>`)}</ol></div>`;
}
