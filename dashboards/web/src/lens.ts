// lens keeps what the reader chose to see of a course in the address of the page, and lets the table and the
// words beneath the chart follow: they are read from the server again, so that each number is formatted once.
const wait = 350; // after the last move of the zoom

export interface Lens {
  // zoomed notes the stretch shown; undefined is the whole course.
  zoomed(from: Date | undefined, to: Date | undefined): void;
}

let timer: ReturnType<typeof setTimeout> | undefined;
let asked = 0;

export function lens(box: HTMLElement, redraw: () => Promise<void>, peers: (address: string) => Promise<void>): Lens {
  const form = document.querySelector<HTMLFormElement>("form[data-lens]");
  const field = (name: string): HTMLInputElement | null => form?.querySelector<HTMLInputElement>(`input[name="${name}"]`) ?? null;

  // follow reads the page of the new address and exchanges what depends on the lens.
  async function follow(address: URL): Promise<void> {
    const mine = ++asked;
    history.replaceState(history.state, "", address.pathname + address.search + address.hash);
    const answer = await fetch(address, { headers: { Accept: "text/html" } });
    if (!answer.ok || mine !== asked) return;
    const page = new DOMParser().parseFromString(await answer.text(), "text/html");
    for (const id of ["readings-of", "course-caption", "lens-said"]) {
      const next = page.getElementById(id);
      const here = document.getElementById(id);
      if (!next || !here || next.innerHTML === here.innerHTML) continue;
      const stops = (e: Element): HTMLElement[] => [...e.querySelectorAll<HTMLElement>("a[href], [tabindex]")];
      const held = stops(here).indexOf(document.activeElement as HTMLElement); // the focus stays where it was
      here.replaceChildren(...next.childNodes);
      if (held >= 0) stops(here)[held]?.focus({ preventScroll: true });
    }
    for (const name of ["from", "to"]) {
      const next = page.querySelector<HTMLInputElement>(`form[data-lens] input[name="${name}"]`);
      const here = field(name);
      if (next && here) here.value = here.defaultValue = next.value;
    }
    const next = page.querySelector<HTMLElement>("[data-points]");
    if (next && next.dataset.points !== box.dataset.points) {
      box.dataset.points = next.dataset.points;
      await redraw();
    }
  }

  function chosen(): URL {
    const address = new URL(location.href);
    address.searchParams.delete("with");
    for (const tick of form?.querySelectorAll<HTMLInputElement>('input[name="with"]:checked') ?? []) address.searchParams.append("with", tick.value);
    return address;
  }

  const report = (reason: unknown): void => console.warn("lens", reason);
  if (form && !form.dataset.ready) {
    form.dataset.ready = "yes";
    form.addEventListener("change", (e) => {
      const at = e.target as HTMLInputElement;
      at.defaultChecked = at.checked; // chosen, not begun: news may come
      if (at.name === "with") follow(chosen()).catch(report);
      if (at.name === "peers") {
        const address = chosen();
        address.searchParams.set("peers", at.checked ? "yes" : "no");
        peers(at.checked ? at.dataset.peers ?? "" : "").then(() => follow(address)).catch(report);
      }
    });
  }
  const tick = form?.querySelector<HTMLInputElement>("input[data-peers]");
  if (tick && tick.dataset.said !== "no" && !tick.dataset.begun) {
    tick.dataset.begun = "yes";
    tick.checked = tick.defaultChecked = true;
    peers(tick.dataset.peers ?? "").catch(report);
  }

  return {
    zoomed(from, to) {
      clearTimeout(timer);
      timer = setTimeout(() => {
        const address = chosen();
        for (const [name, at] of [["from", from], ["to", to]] as const) {
          if (at) address.searchParams.set(name, at.toISOString().slice(0, 19) + "Z");
          else address.searchParams.delete(name);
        }
        if (address.search !== location.search) follow(address).catch(report);
      }, wait);
    },
  };
}
