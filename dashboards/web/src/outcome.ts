// An outcome is kept on the phone before it is sent, so that a technician under a truck without network
// loses nothing: it waits in local storage, is sent as soon as the network is back, and stays to be seen
// until the service has taken it. The same key again is the same outcome, so sending twice does no harm.

interface Kept {
  key: string;
  url: string;
  unit: string;
  order: string;
  body: Record<string, unknown>;
  state: "waiting" | "sent" | "refused";
  saved: string;
  why?: string;
}

const shelf = "outcomes";
const again = 20_000; // ms between two tries

function read(): Kept[] {
  try {
    return JSON.parse(localStorage.getItem(shelf) ?? "[]") as Kept[];
  } catch {
    return [];
  }
}

function write(list: Kept[]): void {
  localStorage.setItem(shelf, JSON.stringify(list));
}

// change rewrites one kept outcome: another tab may have changed the others.
function change(key: string, to: Partial<Kept> | undefined): void {
  write(read().flatMap((k) => (k.key !== key ? [k] : to ? [{ ...k, ...to }] : [])));
}

let sending = false;
let signedOut = false; // the service wants a sign-in first

// flush sends what waits. It never throws: what cannot be sent goes on waiting.
export async function flush(): Promise<void> {
  if (sending) return;
  sending = true;
  try {
    for (const k of read().filter((x) => x.state === "waiting")) {
      let answer: Response;
      try {
        answer = await fetch(k.url, { method: "POST", headers: { "Content-Type": "application/json" }, body: JSON.stringify(k.body) });
      } catch {
        break; // no network: the others would not get through either
      }
      signedOut = answer.status === 401;
      if (answer.ok) change(k.key, { state: "sent" });
      else if (answer.status >= 500 || signedOut || answer.status === 429) break; // nothing is wrong with the outcome
      else {
        const problem = (await answer.json().catch(() => ({}))) as { detail?: string; errors?: { message?: string; location?: string }[] };
        const more = (problem.errors ?? []).map((e) => [e.location, e.message].filter(Boolean).join(": ")).join("; ");
        change(k.key, { state: "refused", why: [problem.detail ?? "status " + answer.status, more].filter(Boolean).join(" ") });
      }
      show();
    }
  } finally {
    sending = false;
  }
  show();
}

const words = { waiting: "waits for the network", sent: "sent", refused: "was not taken" };

// show lists what is on this phone: in full on the outcome page, as one line elsewhere.
function show(): void {
  const list = read();
  const box = document.querySelector<HTMLElement>("[data-queue]");
  const open = list.filter((k) => k.state !== "sent").length;
  if (!box) {
    let line = document.getElementById("kept");
    if (!open) return line?.remove();
    if (!line) {
      line = document.createElement("p");
      line.id = "kept";
      line.className = "notice";
      line.setAttribute("role", "status");
      document.getElementById("main")?.before(line);
    }
    line.textContent = (open === 1 ? "1 outcome on this phone is not sent yet." : open + " outcomes on this phone are not sent yet.") + (signedOut ? " Sign in to send it." : "");
    return;
  }
  box.hidden = list.length === 0;
  const ul = box.querySelector("ul");
  if (!ul) return;
  ul.replaceChildren(
    ...list.map((k) => {
      const li = document.createElement("li");
      li.dataset.state = k.state;
      li.textContent = "Unit " + k.unit + ", " + k.order + ": " + (signedOut && k.state === "waiting" ? "waits until you sign in" : words[k.state]) + (k.why ? ": " + k.why : "") + " ";
      if (k.state !== "waiting") {
        const off = document.createElement("button");
        off.type = "button";
        off.textContent = "Remove";
        off.onclick = () => {
          change(k.key, undefined);
          show();
        };
        li.append(off);
      }
      return li;
    }),
  );
}

function text(data: FormData, name: string): string {
  const v = data.get(name);
  return typeof v === "string" ? v.trim() : "";
}

function amount(data: FormData, name: string): number | undefined {
  const v = Number.parseFloat(text(data, name).replace(",", "."));
  return Number.isFinite(v) ? v : undefined;
}

// take lets a form keep its outcome here instead of posting it.
function take(form: HTMLFormElement): void {
  form.addEventListener("submit", (e) => {
    e.preventDefault();
    const data = new FormData(form);
    const key = crypto.getRandomValues(new Uint32Array(4)).join("-");
    const now = new Date().toISOString();
    const kept: Kept = {
      key,
      url: form.dataset.outcome ?? "",
      unit: form.dataset.unit ?? "",
      order: form.dataset.order ?? "",
      state: "waiting",
      saved: now,
      body: {
        key,
        at: now,
        by: text(data, "who") || undefined, // whoever signed in is named by the service
        found: text(data, "found"),
        complaint: text(data, "complaint"),
        cause: text(data, "cause"),
        correction: text(data, "correction"),
        other: text(data, "other"),
        parts: text(data, "parts"),
        hours: amount(data, "hours"),
        odometer_km: amount(data, "odometer_km"),
        codes_cleared: data.get("codes_cleared") === "yes",
        reprogrammed: data.get("reprogrammed") === "yes",
      },
    };
    try {
      write([...read(), kept]);
    } catch {
      form.submit(); // nothing can be kept here: send it the plain way
      return;
    }
    form.querySelector<HTMLButtonElement>("button[type=submit]")?.setAttribute("disabled", "");
    show();
    void flush();
  });
}

// outcomes is called once a page.
export function outcomes(): void {
  const form = document.querySelector<HTMLFormElement>("form[data-outcome]");
  if (form) take(form);
  if ("serviceWorker" in navigator) {
    navigator.serviceWorker
      .register("/sw.js")
      .then(() => navigator.serviceWorker.ready)
      .then(() => {
        if (navigator.serviceWorker.controller) return; // else it takes this page over in a moment
        return new Promise<void>((done) => navigator.serviceWorker.addEventListener("controllerchange", () => done(), { once: true }));
      })
      .then(() => {
        const here = form ? location.pathname : document.querySelector<HTMLAnchorElement>('a[href$="/outcome"]')?.pathname;
        if (here) void fetch(here); // through the worker, which keeps it for when there is no network
      })
      .catch(() => undefined); // private windows have none; the queue works without it
  }
  addEventListener("online", () => void flush());
  addEventListener("storage", show);
  setInterval(() => void flush(), again);
  show();
  void flush();
}
