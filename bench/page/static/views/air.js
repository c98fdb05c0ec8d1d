// Air: what the lines do, live, with what the bench makes of it.

import { html, useEffect, useRef, useState } from "../vendor/preact.js";
import { t } from "../words.js";
import { act, ask, mine, onLive, store } from "../link.js";
import { Ticks, Verdict, pressure, rate, useLive, useSet } from "../parts.js";
import { Steps } from "./station.js";
import { newest } from "./findings.js";

const STEPS = [["charge", "Charging"], ["supply-leak", "Supply line leaks"], ["service-leak", "Leaks, brakes applied"], ["timing", "Application, release"],
  ["stroke", "Push-rod strokes"], ["modulators", "ABS modulators"], ["emergency", "Breakaway"]];
const SHOWN_S = 90;

export function Air({ next }) {
  const run = newest(store.visit.runs.filter((each) => each.command === "inspect")).find((each) => each.steps.some((step) => step.step === "air-sensors"));
  const [chosen, toggle] = useSet("air", STEPS.map(([name]) => name));
  const able = mine() && store.state.board.connected && store.state.board.air;
  const only = ["air-sensors", ...STEPS.map(([name]) => name).filter((name) => chosen.has(name)), "air-safe"];
  return html`${run && html`<div class="outcome"><${Verdict} of=${run.verdict} big /><p>${run.statement}</p></div><${Steps} steps=${run.steps} />`}
    ${!store.state.board.air && html`<p class="hint">${t("This board has no air.")}</p>`}
    <${Ticks} label=${t("What is tested")} chosen=${chosen} toggle=${toggle} options=${STEPS.map(([name, title]) => [name, t(title)])} />
    <p class="hint">${t("Whatever moves goes on only while you hold the button on this page.")}</p>
    <button class=${run ? "wide" : "main wide"} disabled=${!able} onClick=${() => act("runs", "POST", { run: { kind: "inspect", part: "air", only } })}>${run ? t("Test again") : t("Test the air brakes")}</button>
    <button class="wide" disabled=${!able} onClick=${() => act("runs", "POST", { run: { kind: "brakes" } })}>${t("Hold the brakes by hand")}</button>
    <button class=${run ? "main wide" : "wide"} onClick=${next}>${t("Next")}</button>`;
}

export function AirNow() {
  const { doing } = store.state;
  const units = store.visit.profile.units;
  const air = store.visit.profile.air && store.state.board.air;
  return html`<div class="air-now">
    ${doing.progress && html`<p class="progress" role="status">${doing.progress.circuit ? `${doing.progress.circuit}: ` : ""}${t(doing.progress.text)}
      ${doing.progress.a !== null && html` <output>${doing.progress.a.toFixed(2)} A</output>`}</p>`}
    ${air && html`<${Pressures} units=${units} /><${Curve} units=${units} />`}
    ${Object.entries(doing.leaks).map(([line, each]) => html`<${Leak} line=${line} leak=${each} units=${units} key=${line} />`)}
    ${doing.command === "brakes" && mine() && html`<button class="main wide" onClick=${() => act("line", "POST", { text: "" })}>${t("End")}</button>`}</div>`;
}

function Pressures({ units }) {
  const live = useLive();
  return html`<dl class="pressures"><div><dt>${t("supply")}</dt><dd>${pressure(live?.supply, units)}</dd></div>
    <div><dt>${t("service")}</dt><dd>${pressure(live?.service, units)}</dd></div></dl>`;
}

function Leak({ line, leak, units }) {
  const share = leak.rate !== null && leak.limit ? Math.min(2, Math.max(0, leak.rate / leak.limit)) : null;
  return html`<section class="leak"><h3>${t(line)}: ${leak.verdict ? html`<${Verdict} of=${leak.verdict} />` : leak.to_go ? t("about {s} s to a decision", { s: Math.ceil(leak.to_go / 5) * 5 }) : t("watching")}</h3>
    <p>${t("falls {rate} ({low} to {high}), allowed {limit}", { rate: rate(leak.rate, units), low: rate(leak.low, units), high: rate(leak.high, units), limit: rate(leak.limit, units) })}</p>
    ${share !== null && html`<meter min="0" max="2" low="1" high="1" optimum="0" value=${share} aria-label=${t("Fall beside what is allowed")}></meter>`}</section>`;
}

// The last minute and a half of both lines, and where the estimated and the allowed fall would lead.
function Curve({ units }) {
  const box = useRef();
  useEffect(() => {
    let plot = null;
    let gone = false;
    const data = [[], [], []];
    const per = units === "metric" ? 1000 : 6894.757;
    const add = (u, supply, service) => {
      data[0].push(u);
      data[1].push(supply === null || supply === undefined ? null : supply / per);
      data[2].push(service === null || service === undefined ? null : service / per);
      while (data[0].length && u - data[0][0] > SHOWN_S) data.forEach((column) => column.shift());
    };
    const stopLive = onLive((live) => add(live.u, live.supply, live.service));
    ask(`/api/bays/${encodeURIComponent(store.bay)}/curve`).then((points) => {
      const own = data.map((column) => column.splice(0));
      points.filter(([u]) => !own[0].length || u < own[0][0]).forEach((point) => add(...point));
      own[0].forEach((u, n) => { data[0].push(u); data[1].push(own[1][n]); data[2].push(own[2][n]); });
    }, () => {});
    loadPlot().then(() => {
      if (gone) return;
      const ink = getComputedStyle(document.documentElement);
      const colour = (name) => ink.getPropertyValue(name).trim();
      const axis = { stroke: colour("--ink"), grid: { stroke: colour("--rule"), width: 1 }, font: "14px system-ui" };
      plot = new window.uPlot({
        width: box.current.clientWidth, height: 220, legend: { show: false }, cursor: { show: false },
        scales: { x: { time: false }, y: { range: (_, low, high) => [Math.min(0, low), Math.max(high * 1.05, 10)] } },
        axes: [{ ...axis, values: (u, ticks) => ticks.map((tick) => `${Math.round(tick - (data[0].at(-1) || 0))} s`) }, { ...axis, size: 54 }],
        series: [{}, { stroke: colour("--line"), width: 3 }, { stroke: colour("--hold-ink"), width: 3, dash: [9, 5] },
          { stroke: colour("--fail"), width: 2, dash: [3, 4] }, { stroke: colour("--ink"), width: 2, dash: [2, 3] }],
      }, [[], [], [], [], []], box.current);
    });
    const draw = setInterval(() => {
      if (!plot || document.hidden) return;
      const leak = Object.values(store.state?.doing?.leaks || {})[0];
      const line = (perMin) => (leak && perMin !== null && leak.pa ? data[0].map((u) => (leak.pa - (perMin / 60) * (u - leak.u)) / per) : data[0].map(() => null));
      plot.setData([...data, line(leak?.limit ?? null), line(leak?.rate ?? null)]);
    }, 100);
    const resize = () => plot?.setSize({ width: box.current.clientWidth, height: 220 });
    addEventListener("resize", resize);
    return () => { gone = true; stopLive(); clearInterval(draw); removeEventListener("resize", resize); plot?.destroy(); };
  }, [units]);
  return html`<figure class="curve"><div ref=${box} role="img" aria-label=${t("Pressure over the last 90 seconds")}></div>
    <figcaption><span class="key supply">${t("supply")}</span> <span class="key service">${t("service")}</span>
      <span class="key fit">${t("estimated fall")}</span> <span class="key limit">${t("allowed fall")}</span></figcaption></figure>`;
}

let loading = null;
function loadPlot() {
  loading ||= new Promise((done, fail) => {
    const style = Object.assign(document.createElement("link"), { rel: "stylesheet", href: "/static/vendor/uplot.css" });
    const script = Object.assign(document.createElement("script"), { src: "/static/vendor/uplot.js", onload: done, onerror: fail });
    document.head.append(style, script);
  });
  return loading;
}
