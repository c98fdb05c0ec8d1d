// Lamps that a person looks at: one circuit, several, flashing, or each in turn.

import { html, useEffect, useState } from "../vendor/preact.js";
import { t } from "../words.js";
import { act, mine, store } from "../link.js";
import { Choice, Ticks, titleOf, useKept, useLive, useSet } from "../parts.js";
import { Trailer } from "../trailer.js";

export function Lamps({ next }) {
  const { profile } = store.visit;
  const [how, setHow] = useKept("how", "walk");
  const [seconds, setSeconds] = useKept("seconds", 10);
  const [rounds, setRounds] = useKept("rounds", 1);
  const [chosen, toggle] = useSet("power");
  const [flash, setFlash] = useKept("flash", false);
  const turns = profile.circuits.some((each) => each.turn && chosen.has(each.name));
  const start = () => act("runs", "POST", { run: how === "walk"
    ? { kind: "walk", seconds, rounds, only: profile.circuits.filter((each) => each.lit).map((each) => each.name) }
    : { kind: "power", only: [...chosen], flash_per_min: flash && turns ? 90 : null } });
  return html`<${Choice} name="how" label=${t("How")} value=${how} set=${setHow} options=${[["walk", t("Walk round: each in turn")], ["power", t("Keep circuits lit")]]} />
    ${how === "walk" ? html`<${Choice} name="seconds" label=${t("Each for")} value=${seconds} set=${setSeconds} options=${[5, 10, 20, 30].map((each) => [each, `${each} s`])} />
      <${Choice} name="rounds" label=${t("How often")} value=${rounds} set=${setRounds} options=${[[1, t("once round")], [0, t("until stopped")]]} />`
    : html`<${Ticks} label=${t("Circuits")} chosen=${chosen} toggle=${toggle} options=${profile.circuits.map((each) => [each.name, each.title, t("pin {n}", { n: each.pin })])} />
      ${turns && html`<${Choice} name="flash" label=${t("Turn signals")} value=${flash} set=${setFlash} options=${[[false, t("steady")], [true, t("flash 90 a minute")]]} />`}`}
    <button class="main wide" disabled=${!mine() || (how === "power" && !chosen.size)} onClick=${start}>${how === "walk" ? t("Start the walk-round") : t("Power on")}</button>
    <button class="wide" onClick=${next}>${t("Next")}</button>`;
}

const plainly = (name) => name.replaceAll("-", " ");

export function LitNow() {
  const { doing } = store.state;
  const live = useLive();
  const profile = store.visit.profile;
  const walking = doing.command === "walk";
  const lit = walking ? [doing.circuit].filter(Boolean)
    : profile.circuits.filter((each) => live?.pins?.[each.pin] && live.pins[each.pin][0] !== "off").map((each) => each.name);
  const left = doing.seconds && live && doing.circuit ? Math.max(0, doing.seconds - (live.u - doing.since)) : null;
  const amps = lit.reduce((sum, name) => sum + (live?.pins?.[profile.circuits.find((each) => each.name === name)?.pin]?.[1] || 0), 0);
  const [noted, setNoted] = useState("");
  useEffect(() => setNoted(""), [doing.circuit]);
  const wrong = async () => {
    if (await act("notes", "POST", { about: "lamps", text: `${titleOf(doing.circuit)}: not as it should be, seen at the walk-round` })) setNoted(doing.circuit);
  };
  const named = walking ? lit : doing.circuits;
  return html`<div class="lit"><div class="now-lit"><p class="huge" role="status">${named.length ? named.map(plainly).join(", ") : t("none lit")}</p>
    ${left !== null && html`<p class="countdown" aria-hidden="true">${Math.ceil(left)}</p>`}</div>
    <p class="hint">${named.map(titleOf).join("; ")}</p>
    <${Trailer} profile=${profile} lit=${lit} />
    <p class="amps"><output>${amps.toFixed(2)} A</output> ${doing.progress?.text && doing.progress.text !== "lit" && html`<span>${t(doing.progress.text)}</span>`}</p>
    ${walking && doing.circuit && mine() && html`<button class="wide" disabled=${noted === doing.circuit} onClick=${wrong}>${noted === doing.circuit ? t("Noted") : t("Something is not right here")}</button>`}
    ${doing.command === "power" && mine() && html`<button class="main wide" onClick=${() => act("line", "POST", { text: "" })}>${t("Switch off")}</button>`}
  </div>`;
}
