// Who has the watch of this bench, and is this phone that one's?  Shown, taken, handed over.
import { by, setText } from "./dom.js";
import { cards, span } from "./words.js";

export class Watch {
  constructor(state, marks) {
    this.S = state;
    this.marks = marks;
    this.me = "";
    by("watch-take").addEventListener("click", () => this.send(this.me ? {} : { text: by("watch-who").value.trim() }));
    by("watch-form").addEventListener("submit", (event) => { event.preventDefault(); this.send({ text: by("watch-who").value.trim() }); });
    by("watch-end").addEventListener("click", () => this.send({ text: "nobody" }));
    this.ask();
  }

  // By which name this phone was paired; "" for a page that was not, such as the bench's own.
  async ask() {
    try {
      this.me = (await (await fetch("/api/v0/me")).json()).name || "";
    } catch { /* a phone that knows no name sounds every alarm */ }
  }

  get holder() {
    return cards(this.S, "watch").find((card) => card.phase !== "idle") || null;
  }

  // Whether a word is for this phone: for all, for its own name, or it is nobody's phone.
  isFor(say) {
    return !say.to || !this.me || say.to.toLowerCase() === this.me.toLowerCase();
  }

  async send(more) {
    setText(by("watch-wrong"), "");
    if (more.text === "") return setText(by("watch-wrong"), "Write a name first.");
    const answer = await this.marks.press("watch", more);
    if (answer.ok) by("watch-who").value = "";
    else setText(by("watch-wrong"), answer.why);
  }

  // What stands behind the phase: nothing where nobody ever took the watch.
  get words() {
    return this.holder ? ", watch: " + this.holder.who : "";
  }

  paint(now) {
    const on = this.holder, isMine = on && this.me && on.who.toLowerCase() === this.me.toLowerCase();
    const since = on && span(now - on.since_t);
    setText(by("holder"), !on ? "Nobody has it: every phone sounds every alarm." : (isMine ? "This phone has had it" : on.who + " has had it") + " for " + since + "."
      + (on.phase === "handed" ? " Until a mark by that name comes, every phone sounds every alarm." : isMine ? "" : " Less urgent alarms sound there first, here if nobody answers."));
    setText(by("watch-me"), this.me ? "This phone is “" + this.me + "”." : "This page has no name of its own: write one.");
    by("watch-end").hidden = !on;
  }
}
