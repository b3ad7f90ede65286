// Entries are kept on the phone until the server has them on its disk; an id makes a repeat harmless.
const KEY = "entries";
const REFUSED = [400, 409, 413, 422]; // sent again they would be refused again
const RETRY_MS = 3000;
const PATIENCE_MS = 20000;

export function newId() {
  const bytes = crypto.getRandomValues(new Uint8Array(16));
  bytes[6] = (bytes[6] & 15) | 64;
  bytes[8] = (bytes[8] & 63) | 128;
  const hex = [...bytes].map((b) => b.toString(16).padStart(2, "0")).join("");
  return hex.replace(/^(.{8})(.{4})(.{4})(.{4})/, "$1-$2-$3-$4-");
}

export class Kept {
  // `changed` is called when what is kept has; `sent` when nothing more can be sent for now.
  constructor(changed, sent) {
    this.changed = changed;
    this.sent = sent;
    this.sending = Promise.resolve();
    this.stale = false; // the server was started anew, with another token
    setInterval(() => this.open().length && this.send(), RETRY_MS);
    addEventListener("online", () => this.send());
  }

  all() {
    return JSON.parse(localStorage.getItem(KEY) || "[]");
  }

  open() {
    return this.all().filter((each) => !each.complaint);
  }

  add(body) {
    const entry = { id: newId(), ...body };
    this.keep([...this.all(), entry]);
    this.send();
    return entry;
  }

  drop(id) {
    this.keep(this.all().filter((each) => each.id !== id));
  }

  keep(entries) {
    localStorage.setItem(KEY, JSON.stringify(entries));
    this.changed();
  }

  // One after the other: a second call waits for the first.
  send() {
    this.sending = this.sending.then(() => this.sendAll()).catch(() => {});
    return this.sending;
  }

  async sendAll() {
    for (let entry = this.open()[0]; entry; entry = this.open()[0]) {
      let answer;
      try {
        answer = await fetch("/entries", {
          method: "POST",
          headers: { "Content-Type": "application/json" },
          body: JSON.stringify(entry),
          signal: AbortSignal.timeout(PATIENCE_MS),
        });
      } catch {
        break; // no network: kept, and sent when it is back
      }
      this.stale = answer.status === 401;
      if (answer.ok) this.drop(entry.id);
      else if (REFUSED.includes(answer.status)) {
        const why = (await answer.json().catch(() => ({}))).complaint || ["refused"];
        // What was undone meanwhile goes without a word, and its undoing with it.
        const undone = this.all().some((each) => each.strike === entry.id);
        this.keep(
          undone
            ? this.all().filter((each) => ![each.id, each.strike].includes(entry.id))
            : this.all().map((each) => (each.id === entry.id ? { ...each, complaint: why.join("; ") } : each)),
        );
      } else break;
    }
    this.changed();
    await this.sent();
  }
}
