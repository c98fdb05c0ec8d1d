// Who controls: pairing, taking and handing over control, devices.

import { html, useEffect, useState } from "../vendor/preact.js";
import { t } from "../words.js";
import { act, ask, complain, mine, store, whoAmI } from "../link.js";
import { go, link } from "../parts.js";

export function ControlChip() {
  const { state, me } = store;
  const [open, setOpen] = useState(false);
  if (!state) return null;
  const { holder, asking } = state.control;
  const words = mine() ? t("You control") : holder ? t("{name} controls", { name: holder.name }) : t("Nobody controls");
  const wanted = mine() && asking;
  return html`<button class=${`control ${mine() ? "mine" : ""}`} aria-expanded=${open || !!wanted} onClick=${() => setOpen(!open)}>
      <svg viewBox="0 0 24 24" width="20" height="20" aria-hidden="true">${mine()
        ? html`<path class="fill" d="M5 11h14v10H5z" /><path d="M8 11V7a4 4 0 018 0v4" />` : html`<circle cx="12" cy="12" r="3.5" class="fill" /><path d="M1.5 12C5 6 19 6 22.5 12 19 18 5 18 1.5 12z" />`}</svg>
      <span>${words}</span></button>
    ${(open || wanted) && html`<section class="control-sheet" aria-label=${t("Control")}>
      ${wanted && html`<h2>${t("{name} asks for control", { name: asking.name })}</h2>
        <div class="pair"><button class="yes" onClick=${() => { control("give", asking.id); setOpen(false); }}>${t("Hand it over")}</button>
        <button class="no" onClick=${() => control("keep")}>${t("Keep it")}</button></div>`}
      ${!me.device ? html`<p>${t("You are watching. STOP works for everybody; the rest needs a paired device.")}</p>
          <button class="main wide" onClick=${() => go("pair", store.bay)}>${t("Pair this device")}</button>`
        : mine() ? html`${!wanted && html`<p>${t("This device, {name}, controls the bay.", { name: me.device.name })}</p>`}
          <button class="wide" onClick=${() => { control("free"); setOpen(false); }}>${t("Let go of control")}</button>`
        : html`<button class="main wide" onClick=${() => { control("take"); setOpen(false); }}>${holder ? t("Ask for control") : t("Take control")}</button>
          ${asking?.id === me.device.id && html`<p role="status">${t("Asked. {name} must hand it over, or fall silent.", { name: holder?.name })}</p>`}`}
      <a class="wide" href=${link("devices")}>${t("Paired devices")}</a>
      <button class="quiet wide" onClick=${() => setOpen(false)}>${t("Close")}</button></section>`}`;
}

const control = (word, to = "") => act("control", "POST", { do: word, to });

export function TakeControl() {
  const { me, state } = store;
  if (mine()) return null;
  const holder = state?.control.holder;
  if (!me.device) return html`<div class="take"><button class="main wide" onClick=${() => go("pair", store.bay)}>${t("Pair this device to work here")}</button></div>`;
  if (holder) return html`<div class="take"><p>${t("{name} controls this bay; you are watching.", { name: holder.name })}</p>
    <button class="wide" onClick=${() => control("take")}>${t("Ask for control")}</button></div>`;
  return html`<div class="take"><button class="main wide" onClick=${() => control("take")}>${t("Take control")}</button></div>`;
}

export function Pairing({ done }) {
  const [code, setCode] = useState("");
  const [name, setName] = useState(localStorage.getItem("device") || "");
  const pair = async () => {
    try {
      await ask("/api/pair", "POST", { code, name: name || t("Phone") });
      localStorage.setItem("device", name);
      complain("");
      await whoAmI();
      if (!done) return go();
      await ask(`/api/bays/${encodeURIComponent(done)}/control`, "POST", { do: "take", to: "" });
      go("bay", done);
    } catch (error) {
      setCode("");
      complain(error.message);
    }
  };
  const figure = (digit) => setCode((now) => (now + digit).slice(0, 6));
  return html`<section class="pairing"><p>${t("Type the six figures that the bench's screen shows.")}</p>
    <label>${t("Code")}<input class="code" inputmode="numeric" autocomplete="one-time-code" value=${code} maxlength="7"
      onInput=${(event) => setCode(event.target.value.replace(/\D/g, "").slice(0, 6))} /></label>
    <div class="keys">${"123456789".split("").map((digit) => html`<button onClick=${() => figure(digit)}>${digit}</button>`)}
      <button onClick=${() => setCode((now) => now.slice(0, -1))} aria-label=${t("Delete")}>⌫</button>
      <button onClick=${() => figure("0")}>0</button><span></span></div>
    <label>${t("Name of this device")}<input value=${name} maxlength="40" onInput=${(event) => setName(event.target.value)} /></label>
    <button class="main wide" disabled=${code.length !== 6} onClick=${pair}>${t("Pair")}</button></section>`;
}

export function Devices() {
  const [devices, set] = useState(null);
  const load = () => ask("/api/devices").then(set, (error) => complain(error.message));
  useEffect(load, []);
  if (!store.me.device) return html`<p>${t("Only paired devices see who is paired.")}</p>
    <button class="main wide" onClick=${() => go("pair")}>${t("Pair this device")}</button>`;
  const remove = async (id) => {
    await ask(`/api/devices/${id}`, "DELETE", {}).catch((error) => complain(error.message));
    await whoAmI();
    load();
  };
  return html`<ul class="rows">${(devices || []).map((each) => html`<li><span><b>${each.name}</b>
    ${each.own && html` <small>${t("this device")}</small>`}<small>${t("paired {day}", { day: each.paired.slice(0, 10) })}</small></span>
    <button onClick=${() => remove(each.id)}>${t("Remove")}</button></li>`)}</ul>`;
}
