/** The state of the link to the instrument: a mark that differs by shape, and words. */

import { LINK_WORDS } from "../names.js";

class LinkState extends HTMLElement {
  connectedCallback() {
    this.setAttribute("role", "status");
    this.innerHTML = `<span class="mark" aria-hidden="true"></span><span class="words"></span>`;
    this.mark = this.querySelector(".mark");
    this.words = this.querySelector(".words");
  }

  /** @param {{link: any, connected: boolean}} state */
  render({ link, connected }) {
    const [mark, word] = connected ? LINK_WORDS[link?.state] ?? ["◌", "connecting"] : ["✕", "no connection to the server"];
    const more = connected && link && link.state !== "receiving" && link.waits_for ? `, waits for ${link.waits_for}` : "";
    const text = `${word}${more}`;
    // Written only on change, so that a screen reader says it once.
    if (this.words.textContent !== text) {
      this.mark.textContent = mark;
      this.words.textContent = text;
      this.title = link?.source ?? "";
    }
  }
}

customElements.define("link-state", LinkState);
