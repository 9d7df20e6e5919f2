// follow keeps a page up to date: one event stream tells which units changed, and the page then reads
// itself again and exchanges its main region. What the reader is doing stays: focus, open parts, a form
// that was begun.

type Enhance = () => Promise<void>;

const silence = 45_000; // the server gives a sign of life every 15 s
const pause = 2_000; // between two refreshes at least

export function follow(region: HTMLElement, status: HTMLElement, enhance: Enhance): void {
  const said = document.getElementById("live-said");
  let stream: EventSource | undefined;
  let heard = Date.now();
  let lostAt = 0;
  let welcomed = false;
  let due = false;
  let refreshing = false;
  let last = 0;

  const say = (state: "on" | "wait" | "lost", words: string): void => {
    if (status.textContent === words) return;
    const turned = status.dataset.liveState !== state;
    status.dataset.liveState = state;
    status.textContent = words;
    if (said && turned) said.textContent = words;
  };
  const clock = (t: number): string => new Date(t).toLocaleTimeString([], { hour: "2-digit", minute: "2-digit" });

  const lost = (): void => {
    if (!lostAt) lostAt = Date.now();
    if (Date.now() - lostAt < 20_000) say("wait", "Reconnecting; what you see was last refreshed at " + clock(heard) + ".");
    else say("lost", "Offline since " + clock(lostAt) + "; what you see may be old.");
  };

  const concerns = (units: string[]): boolean =>
    region.dataset.live === "*" || units.includes("") || units.includes(region.dataset.live ?? "");

  const begun = (): boolean =>
    [...region.querySelectorAll<HTMLInputElement | HTMLTextAreaElement>("input, textarea")].some((f) => f.value !== f.defaultValue);

  async function refresh(): Promise<void> {
    if (!due || refreshing || document.hidden) return;
    if (begun()) {
      say("on", "Live. There is news; it is shown once the form is sent or emptied.");
      return;
    }
    refreshing = true;
    try {
      const wait = pause - (Date.now() - last);
      if (wait > 0) await new Promise((done) => setTimeout(done, wait));
      due = false;
      last = Date.now();
      const answer = await fetch(location.href, { headers: { Accept: "text/html" } });
      if (answer.redirected && new URL(answer.url).pathname === "/sign-in") return location.assign(answer.url);
      if (!answer.ok) throw new Error("status " + answer.status);
      const next = new DOMParser().parseFromString(await answer.text(), "text/html").querySelector("main");
      if (next && !begun()) await exchange(next);
      say("on", "Live; refreshed at " + clock(Date.now()) + ".");
    } catch {
      due = true;
      lost();
    } finally {
      refreshing = false;
    }
  }

  async function exchange(next: Element): Promise<void> {
    const focus = address(document.activeElement);
    const open = [...region.querySelectorAll("details")].map((d) => d.open);
    const chart = region.querySelector(".live");
    const slot = next.querySelector("[data-points]");
    if (chart && slot) slot.replaceWith(chart); // keep the drawing and its zoom; it reads its numbers again
    region.replaceChildren(...next.childNodes);
    region.querySelectorAll("details").forEach((d, i) => (d.open = open[i] ?? d.open));
    if (focus) region.querySelector<HTMLElement>(focus)?.focus({ preventScroll: true });
    await enhance();
  }

  function address(e: Element | null): string | undefined {
    if (!e || !region.contains(e)) return undefined;
    if (e.id) return "#" + CSS.escape(e.id);
    const link = e.getAttribute("href");
    return link ? `a[href="${CSS.escape(link)}"]` : undefined;
  }

  function connect(): void {
    stream?.close();
    stream = new EventSource("/events");
    const alive = (): void => {
      heard = Date.now();
      lostAt = 0;
    };
    stream.addEventListener("welcome", () => {
      alive();
      say("on", "Live.");
      if (welcomed) due = true; // something may have been missed in between
      welcomed = true;
      void refresh();
    });
    stream.addEventListener("beat", alive);
    stream.addEventListener("changed", (e) => {
      alive();
      if (concerns(JSON.parse((e as MessageEvent<string>).data) as string[])) due = true;
      void refresh();
    });
    stream.onerror = lost;
  }

  // Some trends were not ready when the page was made: ask once more in a while.
  function followUp(): void {
    if (region.querySelector("[data-follows]"))
      setTimeout(() => {
        due = true;
        void refresh().then(followUp);
      }, 3_000);
  }

  connect();
  followUp();
  setInterval(() => {
    if (Date.now() - heard > silence || stream?.readyState === EventSource.CLOSED) {
      lost();
      connect();
    } else if (lostAt) lost();
    else void refresh();
  }, 5_000);
  document.addEventListener("visibilitychange", () => void refresh());
  addEventListener("pagehide", () => stream?.close());
  addEventListener("pageshow", (e) => {
    if (e.persisted) connect();
  });
}
