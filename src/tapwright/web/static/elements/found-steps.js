/** "How this was found": each step's answer, how sure, on which evidence, with its picture. */

import { ask } from "../feed.js";
import { ROUTES } from "../names.js";

const SURE = Object.freeze({ settled: "settled", open: "not all settled", none: "not answered yet" });

class FoundSteps extends HTMLElement {
  async connectedCallback() {
    const answer = await ask(ROUTES.found);
    if (!answer?.steps?.length) return;
    const list = document.createElement("ol");
    list.append(...answer.steps.map(step));
    this.replaceChildren(list);
    if (answer.next) this.append(paragraph("note", `The one next step of the whole job: ${answer.next}`));
    const section = this.closest("section");
    if (section) section.hidden = false;
  }
}

function step(/** @type {any} */ item) {
  const row = document.createElement("li");
  row.dataset.state = item.state;
  const head = document.createElement("h3");
  head.textContent = item.question;
  const sure = document.createElement("span");
  sure.className = "sure";
  sure.textContent = `${SURE[item.state] ?? item.state}: `;
  const answer = paragraph("answer", "");
  answer.append(sure, item.answer);
  row.append(head, answer);
  if (item.evidence?.length) row.append(paragraph("note", `Evidence: ${item.evidence.join("; ")}`));
  if (item.picture && /^[\w.-]+$/.test(item.picture)) {
    const image = document.createElement("img");
    image.src = `/found/${item.picture}`;
    image.alt = item.picture_text ?? item.question;
    image.loading = "lazy";
    // Small print must not shrink with a narrow page: the picture is moved sideways instead.
    const wide = document.createElement("div");
    wide.className = "wide";
    wide.tabIndex = 0;
    wide.setAttribute("role", "region");
    wide.setAttribute("aria-label", image.alt);
    wide.append(image);
    row.append(wide);
  }
  return row;
}

function paragraph(/** @type {string} */ name, /** @type {string} */ text) {
  const p = document.createElement("p");
  p.className = name;
  p.textContent = text;
  return p;
}

customElements.define("found-steps", FoundSteps);
