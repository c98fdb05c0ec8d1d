// What is known of one trailer.

import { html, useEffect, useState } from "../vendor/preact.js";
import { t } from "../words.js";
import { ask, complain } from "../link.js";
import { Verdict } from "../parts.js";

export function Unit({ unit }) {
  const [known, set] = useState(null);
  useEffect(() => { ask(`/api/units/${encodeURIComponent(unit)}`).then(set, (error) => complain(error.message)); }, [unit]);
  if (!known) return html`<p class="waiting">…</p>`;
  if (!known.visits.length) return html`<p>${t("Nothing is on record of this unit.")}</p>`;
  const open = known.findings.filter((each) => each.state === "open");
  return html`<h2>${t("Findings that nothing has closed")}</h2>
    ${open.length ? html`<ul class="rows">${open.slice(-20).reverse().map((each) => html`<li><span><b>${t(each.kind)}</b>
      <small>${each.circuits.join(", ")} ${each.place}</small></span><small>${each.run.slice(0, 8)}</small></li>`)}</ul>` : html`<p>${t("None.")}</p>`}
    <h2>${t("Visits")}</h2>
    <ul class="rows">${known.visits.map((each) => html`<li><a href=${`/api/records/${each.id}/report`} target="_blank" rel="noopener">
      <span><b>${each.started.slice(0, 16).replace("T", " ")}</b> <small>${each.command} · ${each.profile} · ${t("{n} findings", { n: each.findings })}</small></span>
      <${Verdict} of=${each.verdict} /></a></li>`)}</ul>`;
}
