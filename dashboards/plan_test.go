package dashboards

import (
	"net/http"
	"regexp"
	"strings"
	"testing"

	"github.com/chromedp/chromedp"
	"github.com/chromedp/chromedp/kb"
)

// A visit is moved in two steps: what it would change, with reasons, and then taking it; and it can be taken back.
func TestVisitIsLookedAtBeforeItMoves(t *testing.T) {
	book := marketBook(t)
	s := withFloor(t, market(), book)
	plan := s.must(t, "/plan")
	if !strings.Contains(plan, `data-job="a-408"`) || !strings.Contains(plan, "Saltgate") {
		t.Fatal("the plan has no visit of unit 408")
	}
	look := s.must(t, "/plan?move=a-408&to=2026-05-21")
	for _, want := range []string{"to Thu 21 May 2026?", "The plan proposes", "There is room:", "technician hours booked", "Take this day", "Leave it"} {
		if !strings.Contains(look, want) {
			t.Errorf("the look at the move does not say %q", want)
		}
	}
	if o, err := book.Orders(t.Context()); err != nil || len(o) != 0 {
		t.Fatalf("looking made %d orders", len(o))
	}
	// A day on which the depot is closed, and a day that is none.
	if shut := s.must(t, "/plan?move=a-408&to=2026-05-24"); !strings.Contains(shut, "No room.") || !strings.Contains(shut, "is closed") || !strings.Contains(shut, "Take this day all the same") {
		t.Error("a closed day is not said")
	}
	if odd := s.must(t, "/plan?move=a-408&to=soon"); !strings.Contains(odd, "choose a day") {
		t.Error("a day that is none is not said")
	}
	if odd := s.must(t, "/plan?move=a-none&to=2026-05-21"); !strings.Contains(odd, `role="alert"`) {
		t.Error("a job that is none is not said")
	}
	w := s.post("/plan/a-408/move", "to=2026-05-21&who=Odalys&reason=", same)
	back := w.Header().Get("Location")
	if w.Code != http.StatusSeeOther || !strings.HasPrefix(back, "/plan?moved=w-") {
		t.Fatalf("status %d to %q", w.Code, back)
	}
	said := s.must(t, strings.TrimSuffix(back, "#said"))
	if !strings.Contains(said, "comes on <strong>Thu 21 May 2026") || !strings.Contains(said, "Undo: give the day back") {
		t.Error("what was taken is not said, or cannot be undone")
	}
	id := regexp.MustCompile(`w-[0-9A-Za-z]+`).FindString(back)
	// Moving what a person chose needs a reason, and undo leads back to that day.
	if look := s.must(t, "/plan?move="+id+"&to=2026-05-22"); !strings.Contains(look, "A person chose Thu 21 May 2026") || !regexp.MustCompile(`name="reason"[^>]*required`).MatchString(look) {
		t.Error("moving a chosen day does not ask why")
	}
	if w := s.post("/plan/"+id+"/move", "to=2026-05-22&who=Odalys&reason=", same); w.Code != http.StatusConflict || !strings.Contains(w.Body.String(), "say why it moves") {
		t.Errorf("a move without a reason: status %d", w.Code)
	}
	s.post("/plan/"+id+"/move", "to=2026-05-22&who=Odalys&reason=swap+unit+is+late", same)
	if said := s.must(t, "/plan?moved="+id); !strings.Contains(said, "Undo: back to Thu 21 May 2026") {
		t.Error("undo does not lead back to Thursday")
	}
	s.post("/orders/"+id+"/steps", "step=schedule&day=2026-05-21&who=Odalys&reason=taken+back&back=plan", same)
	if o, _ := book.OrderByID(t.Context(), id); o.Slot.Day.String() != "2026-05-21" {
		t.Errorf("after undo it is on %s", o.Slot.Day)
	}
	w = s.post("/orders/"+id+"/steps", "step=release&who=Odalys&reason=taken+back&back=plan", same)
	if o, _ := book.OrderByID(t.Context(), id); w.Code != http.StatusSeeOther || o.Slot != nil || o.State != "approved" {
		t.Errorf("after giving the day back: %s %+v", o.State, o.Slot)
	}
}

// In the browser a visit is dragged to a day, or moved by keyboard alone; both end in the same look.
func TestVisitIsDraggedOrMovedByKeyboard(t *testing.T) {
	book := marketBook(t)
	s := withFloor(t, market(), book)
	b := browse(t, s)
	b.size(t, 1440, 1400, false)
	b.open(t, "/plan")
	b.until(t, `document.querySelector('[data-job="a-217"]').draggable`)
	b.drag(t, `[data-job="a-217"] .visit-head`, `section[data-day="2026-05-22"][data-depot="Tannery Row"] h3`)
	b.arrives(t, `document.getElementById("trial")?.textContent && document.getElementById("trial").textContent.includes("Fri 22 May 2026")`)
	if o, err := book.Orders(t.Context()); err != nil || len(o) != 0 {
		t.Errorf("dragging decided something: %d orders", len(o))
	}
	b.shot(t, "plan-trial")
	// To a day of another depot nothing can be dropped.
	b.open(t, "/plan")
	b.until(t, `document.querySelector('[data-job="a-217"]').draggable`)
	b.drag(t, `[data-job="a-217"] .visit-head`, `section[data-depot="Saltgate"] h3`)
	if eval[bool](t, b, `document.getElementById("trial") !== null`) {
		t.Error("a visit went to another depot")
	}
	// By keyboard: open Move, type the day, look, give the name, take it.
	for _, width := range []int64{360, 768, 1440} {
		b.size(t, width, 900, width == 768)
		b.open(t, "/plan")
		b.until(t, `document.querySelector('[data-job]').draggable`)
		b.tabTo(t, `document.activeElement.matches('[data-job="a-408"] summary')`)
		b.do(t, chromedp.KeyEvent(kb.Enter))
		b.tabTo(t, `document.activeElement.matches('[data-job="a-408"] input[type="date"]')`)
		b.do(t, chromedp.KeyEvent("05212026"))
		b.tabTo(t, `document.activeElement.matches('[data-job="a-408"] details button')`)
		b.do(t, chromedp.KeyEvent(kb.Enter))
		b.arrives(t, `document.getElementById("trial")?.textContent && document.getElementById("trial").textContent.includes("Thu 21 May 2026")`)
	}
	b.tabTo(t, `document.activeElement.id === "trial-who"`)
	b.do(t, chromedp.KeyEvent("Odalys"))
	b.do(t, chromedp.KeyEvent(kb.Enter))
	b.arrives(t, `document.querySelector("#said .done") !== null`)
	if o, err := book.Orders(t.Context()); err != nil || len(o) != 1 || o[0].Slot == nil || o[0].Slot.Day.String() != "2026-05-21" {
		t.Errorf("after the move: %v %+v", err, o)
	}
	b.tabTo(t, `document.activeElement.textContent.startsWith("Undo")`)
	b.do(t, chromedp.KeyEvent(kb.Enter))
	b.arrives(t, `document.getElementById("said").textContent.includes("Taken back")`)
	if f := b.complaints(); len(f) > 0 {
		t.Errorf("console: %q", f)
	}
}
