// The trailer from above, its lamps where a person finds them.

import { html } from "./vendor/preact.js";
import { t } from "./words.js";

// Where the words of a profile put a lamp: nose at the left, rear at the right, the trailer's left side below, as you
// see it walking backwards round it from the nose.
export function spot(place) {
  const words = place.toLowerCase();
  const has = (word) => words.includes(word);
  const rearWall = /^rear/.test(words);
  const frontWall = /^front/.test(words);
  let x = frontWall ? 18 : rearWall ? 302 : has("middle") ? 160 : has("front") ? 60 : has("rear") ? 262 : 230;
  let y = 60;
  if (has("left")) y = 104;
  if (has("right")) y = 16;
  if (has("inner")) y += y > 60 ? -20 : 20;
  if (has("centre")) y = has("left of centre") ? 68 : has("right of centre") ? 52 : 60;
  if (has("top") && !has("side")) x += frontWall ? 8 : -8;
  if (!has("left") && !has("right") && !has("centre")) y = 60;
  return [x, y];
}

export function Trailer({ profile, lit = [], ask }) {
  const seen = new Set();
  const lamps = profile.circuits.flatMap((circuit) => circuit.loads.map((load) => ({ ...load, on: lit.includes(circuit.name) })));
  const drawn = lamps.sort((a, b) => a.on - b.on).map((lamp) => {
    let [x, y] = spot(lamp.place);
    while (seen.has(`${x},${y}`)) y += y > 60 ? -9 : 9;
    seen.add(`${x},${y}`);
    return { ...lamp, x, y };
  });
  const words = drawn.filter((lamp) => lamp.on).map((lamp) => `${lamp.title}: ${lamp.place}`).join("; ");
  return html`<svg class="trailer" viewBox="0 0 330 122" role="img" aria-label=${words || t("The trailer from above")}>
    <path class="body" d="M8 8h304v104H8z" /><path class="hitch" d="M8 60h-6M28 60h24" />
    ${[214, 246].map((x) => html`<rect class="tyre" x=${x} y="2" width="22" height="12" /><rect class="tyre" x=${x} y="106" width="22" height="12" />`)}
    <text class="mark" x="12" y="50">${t("nose")}</text><text class="mark" x="266" y="63">${t("rear")}</text>
    ${drawn.map((lamp) => (lamp.on
      ? html`<g class="lamp on"><circle cx=${lamp.x} cy=${lamp.y} r="8" /><path d=${rays(lamp.x, lamp.y)} /></g>`
      : html`<circle class="lamp" cx=${lamp.x} cy=${lamp.y} r="3.2" />`))}
    ${ask}</svg>`;
}

const rays = (x, y) => [0, 1, 2, 3, 4, 5, 6, 7].map((n) => {
  const angle = (n * Math.PI) / 4;
  return `M${x + 10 * Math.cos(angle)} ${y + 10 * Math.sin(angle)}L${x + 14 * Math.cos(angle)} ${y + 14 * Math.sin(angle)}`;
}).join("");

// The face of the connector while circuits are powered: which pin is live, and what flows.
export function Face({ profile, pins }) {
  return html`<svg class="live-face" viewBox="-130 -130 260 260" role="img" aria-label=${t("The connector, seen from the front")}>
    <circle class="shell" r="126" /><circle class="insert" r="112" /><rect class="key" x="-10" y="-126" width="20" height="12" />
    ${profile.pins.map((pin) => {
      const on = pins?.[pin.number] && pins[pin.number][0] !== "off";
      return html`<g class=${`pin ${on ? "on" : ""}`}><circle cx=${pin.x * 80} cy=${-pin.y * 80} r="18" />
        <text x=${pin.x * 80} y=${-pin.y * 80 + 6}>${pin.number}</text></g>`;
    })}</svg>`;
}
