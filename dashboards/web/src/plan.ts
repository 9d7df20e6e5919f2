// drag lets a visit be dropped on another day of its depot. Dropping decides nothing: it opens the page that says
// what the move changes, the same that the form on the visit opens.
export function drag(): void {
  let held: HTMLElement | undefined;
  const days = document.querySelectorAll<HTMLElement>("section[data-day]");
  const fits = (day: HTMLElement): boolean => held !== undefined && day.dataset.depot === held.dataset.depot && !day.contains(held);

  for (const visit of document.querySelectorAll<HTMLElement>("[data-job]")) {
    visit.draggable = true;
    visit.ondragstart = (e) => {
      held = visit;
      e.dataTransfer?.setData("text/plain", visit.dataset.job ?? "");
      if (e.dataTransfer) e.dataTransfer.effectAllowed = "move";
      for (const day of days) day.classList.toggle("closed", day.dataset.depot !== visit.dataset.depot);
    };
    visit.ondragend = () => {
      held = undefined;
      for (const day of days) day.classList.remove("over", "closed");
    };
  }
  for (const day of days) {
    day.ondragover = (e) => {
      if (!fits(day)) return;
      e.preventDefault();
      day.classList.add("over");
    };
    day.ondragleave = (e) => {
      if (!day.contains(e.relatedTarget as Node | null)) day.classList.remove("over");
    };
    day.ondrop = (e) => {
      if (!fits(day) || !held) return;
      e.preventDefault();
      const address = new URL(location.href);
      for (const old of ["moved", "undone"]) address.searchParams.delete(old);
      address.searchParams.set("move", held.dataset.job ?? "");
      address.searchParams.set("to", day.dataset.day ?? "");
      address.hash = "trial";
      location.assign(address);
    };
  }
}
