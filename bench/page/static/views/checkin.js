// Who the trailer is: its number, its VIN, and what is plugged in.

import { html, useEffect, useRef, useState } from "../vendor/preact.js";
import { t } from "../words.js";
import { act, ask, complain, mine, store } from "../link.js";
import { Choice, Verdict, go } from "../parts.js";

export function CheckIn({ bay }) {
  const now = store.visit;
  const [unit, setUnit] = useState(now?.unit || "");
  const [vin, setVin] = useState(now?.vin || "");
  const [operator, setOperator] = useState(now?.operator || localStorage.getItem("operator") || "");
  const [profiles, setProfiles] = useState([]);
  const [profile, setProfile] = useState(now?.profile.name || "");
  const [connector, setConnector] = useState("");
  const [known, setKnown] = useState(null);
  const [doubt, setDoubt] = useState(null);
  useEffect(() => { ask("/api/profiles").then(setProfiles, (error) => complain(error.message)); }, []);
  useLater(unit.trim() || vin, (asked) => asked && ask(`/api/units/${encodeURIComponent(asked)}`).then(setKnown, () => {}), 400);
  useLater(vin, (asked) => (asked ? ask(`/api/vin/${encodeURIComponent(asked)}`).then((said) => setDoubt(said.doubt), () => {}) : setDoubt(null)), 300);
  const last = known?.visits.find((each) => profiles.some((one) => one.name === each.profile));
  const lastProfile = profiles.find((each) => each.name === last?.profile);
  const plug = connector || lastProfile?.connector || profiles.find((each) => each.name === profile)?.connector || "";
  const connectors = [...new Map(profiles.map((each) => [each.connector, `${each.connector_title}`])).entries()];
  const fitting = profiles.filter((each) => each.connector === plug)
    .sort((a, b) => (b.name === last?.profile) - (a.name === last?.profile));
  const chosen = fitting.some((each) => each.name === profile) ? profile : fitting.length === 1 || last ? fitting[0]?.name : "";
  const ready = mine() && chosen;
  const begin = async (event) => {
    event.preventDefault();
    localStorage.setItem("operator", operator);
    if (await act("visit", "PUT", { profile: chosen, unit_number: unit, vin, operator })) go("bay", bay, "cautions");
  };
  return html`<form class="check-in" onSubmit=${begin}>
    <label>${t("Unit number")}<input class="unit" name="unit" value=${unit} maxlength="40" autocapitalize="characters" autocomplete="off"
      onInput=${(event) => setUnit(event.target.value)} /></label>
    <label>${t("VIN")}<input class="vin" name="vin" value=${vin} maxlength="20" autocapitalize="characters" autocomplete="off" spellcheck="false"
      aria-describedby="vin-says" onInput=${(event) => setVin(event.target.value.toUpperCase().replace(/\s/g, ""))} /></label>
    <p id="vin-says" class=${doubt ? "doubt" : "hint"} role="status">${doubt ? `⚠ ${doubt}` : vin.length === 17 ? `✓ ${t("the check digit fits")}` : t("17 characters; checked, never refused")}</p>
    <${Scan} found=${(text) => setVin(text)} />
    <label>${t("Who tests")}<input name="operator" value=${operator} maxlength="60" autocomplete="name" onInput=${(event) => setOperator(event.target.value)} /></label>
    ${last && html`<p class="last"><${Verdict} of=${last.verdict} /> ${t("Last visit {day}: {profile}", { day: last.started.slice(0, 10), profile: lastProfile.title })}</p>`}
    <${Choice} name="connector" label=${t("Connector")} options=${connectors} value=${plug} set=${(key) => { setConnector(key); setProfile(""); }} />
    ${plug && html`<${Choice} name="profile" label=${t("What is plugged in")} value=${chosen} set=${setProfile}
      options=${fitting.map((each) => [each.name, html`${each.title}<small>${each.volts} V${each.air ? `, ${t("air brakes")}` : ""}${each.name === last?.profile ? `, ${t("as at the last visit")}` : ""}</small>`])} />`}
    <button class="main wide" type="submit" disabled=${!ready}>${now ? t("Begin a new visit") : t("Check in")}</button>
  </form>`;
}

function useLater(value, run, ms) {
  useEffect(() => {
    const timer = setTimeout(() => run(value), ms);
    return () => clearTimeout(timer);
  }, [value]);
}

// The camera reads the VIN's bar code where the browser can (and the page came by https).
function Scan({ found }) {
  const [on, setOn] = useState(false);
  const video = useRef();
  useEffect(() => {
    if (!on) return undefined;
    let stream;
    let timer;
    const detector = new BarcodeDetector();
    const look = async () => {
      const codes = video.current?.readyState >= 2 ? await detector.detect(video.current).catch(() => []) : [];
      const text = codes.map((code) => code.rawValue.replace(/^I/, "").toUpperCase()).find((code) => /^[A-HJ-NPR-Z0-9]{17}$/.test(code));
      if (text) { navigator.vibrate?.(60); found(text); setOn(false); } else timer = setTimeout(look, 150);
    };
    navigator.mediaDevices.getUserMedia({ video: { facingMode: "environment" } }).then((got) => {
      stream = got;
      video.current.srcObject = got;
      look();
    }, () => { complain("The camera can't be used. Type the VIN."); setOn(false); });
    return () => { clearTimeout(timer); stream?.getTracks().forEach((track) => track.stop()); };
  }, [on]);
  if (!("BarcodeDetector" in window) || !navigator.mediaDevices) return null;
  return on ? html`<video ref=${video} autoplay muted playsinline></video><button type="button" class="wide" onClick=${() => setOn(false)}>${t("Back")}</button>`
    : html`<button type="button" class="wide" onClick=${() => setOn(true)}>${t("Scan the VIN")}</button>`;
}
