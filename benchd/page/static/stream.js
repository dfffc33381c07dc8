// What does the bench say, and what time is it there?  One event stream; time only ever as the bench tells it.
const GAP_MS = 5000, RETRY_MS = 1500;
let anchor = { now: 0, rate: 1, at: 0 };

// Bench time [unix s]: what the stream said last, plus what this machine's stopwatch (not its clock) counted since.
export const benchNow = () => anchor.now + (anchor.rate * (performance.now() - anchor.at)) / 1000;
export const benchRate = () => anchor.rate;

export class Stream {
  constructor(take, onGap) {
    this.take = take;
    this.onGap = onGap;
    this.lastId = "";
    this.heardAt = performance.now();
    this.openedAt = 0;
    this.isBlind = false;
    this.open();
    setInterval(() => this.mind(), 250);
  }

  open() {
    if (this.source) this.source.close();
    this.openedAt = performance.now();
    const after = this.lastId ? "?after=" + encodeURIComponent(this.lastId) : "";
    this.source = new EventSource("/api/v0/stream" + after);
    for (const kind of ["snapshot", "state", "beat", "finding", "alert", "say", "answer"])
      this.source.addEventListener(kind, (event) => this.hear(kind, event));
  }

  hear(kind, event) {
    const said = JSON.parse(event.data);
    if (event.lastEventId) this.lastId = event.lastEventId;
    this.heardAt = performance.now();
    anchor = { now: said.now, rate: said.rate, at: this.heardAt };
    if (this.isBlind) {
      this.isBlind = false;
      this.onGap(false);
    }
    this.take(kind, said);
  }

  silentS() {
    return (performance.now() - this.heardAt) / 1000;
  }

  // A stream that says nothing for 5 s is no stream: say so, and knock again, from where it stopped.
  mind() {
    const silent = performance.now() - this.heardAt, tried = performance.now() - this.openedAt;
    if (silent > GAP_MS && !this.isBlind) {
      this.isBlind = true;
      this.onGap(true);
    }
    if ((this.source.readyState === EventSource.CLOSED && tried > RETRY_MS) || (silent > GAP_MS && tried > GAP_MS)) this.open();
  }
}
