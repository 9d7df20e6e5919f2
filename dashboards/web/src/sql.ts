// ask makes the SQL page answer in place: with the time that runs, a way to cancel, and Ctrl+Enter. Without
// it the form asks for the page anew, and the browser's own stop button cancels.
export function ask(form: HTMLFormElement): void {
  const query = form.querySelector<HTMLTextAreaElement>("textarea");
  const cancel = form.querySelector<HTMLButtonElement>("[data-cancel]");
  const progress = form.querySelector<HTMLElement>("[data-progress]");
  const run = form.querySelector<HTMLButtonElement>("button[name=run]");
  const answer = document.getElementById("answer");
  if (!query || !cancel || !progress || !run || !answer) return;
  let going: AbortController | undefined;

  query.addEventListener("keydown", (e) => {
    if (e.key === "Enter" && (e.ctrlKey || e.metaKey)) {
      e.preventDefault();
      form.requestSubmit(run);
    }
  });
  cancel.onclick = () => going?.abort();

  form.addEventListener("submit", (e) => {
    e.preventDefault();
    const given = new URLSearchParams();
    for (const [name, value] of new FormData(form)) if (typeof value === "string" && (value !== "" || name.startsWith("p."))) given.append(name, value);
    given.set("run", "1");
    void send(given);
  });

  async function send(given: URLSearchParams): Promise<void> {
    if (!query || !cancel || !progress || !run || !answer) return;
    going?.abort();
    const mine = (going = new AbortController());
    const began = Date.now();
    cancel.hidden = false;
    run.disabled = true;
    let busy = "";
    const tell = (): void => {
      progress.textContent = `Running, ${Math.round((Date.now() - began) / 1000)} s${busy}`;
    };
    tell();
    const tick = setInterval(() => {
      tell();
      fetch("/sql/load", { signal: mine.signal })
        .then((r) => r.json())
        .then((l: { running: number; waiting: number }) => {
          busy = l.waiting > 0 ? `. ${l.running} run, ${l.waiting} wait for a turn; this may be one of them` : "";
        })
        .catch(() => undefined);
    }, 1000);
    try {
      const res = await fetch("/sql", { method: "POST", body: given, signal: mine.signal, headers: { Accept: "text/html" } });
      const page = new DOMParser().parseFromString(await res.text(), "text/html");
      const next = page.getElementById("answer");
      if (next) answer.replaceChildren(...next.childNodes);
      else answer.textContent = page.querySelector("main")?.textContent ?? "The service did not answer as expected.";
      const fields = page.querySelector(".sqlrow");
      const here = form.querySelector(".sqlrow");
      if (fields && here && fields.querySelectorAll("input").length !== here.querySelectorAll("input").length) here.replaceChildren(...fields.childNodes);
      for (const kept of document.querySelectorAll<HTMLTextAreaElement>("[data-keep] textarea")) kept.value = query.value;
      history.replaceState(null, "", "/sql?" + given.toString());
      progress.textContent = res.ok ? `Done, ${((Date.now() - began) / 1000).toFixed(1)} s` : "Not answered; see below";
    } catch (reason) {
      progress.textContent = mine.signal.aborted ? "Cancelled; nothing runs any more" : "The service does not answer: " + String(reason);
    } finally {
      clearInterval(tick);
      if (going === mine) {
        cancel.hidden = true;
        run.disabled = false;
      }
    }
  }
}
