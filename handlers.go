package main

import (
	"encoding/json"
	"fmt"
	"net/http"
	"runtime/pprof"

	"marginline/ingest/fleet"
)

// controlHandler answers the commands. Answers are data in the form asked for; an error is its text, with
// a status that is not 2xx.
func (a *app) controlHandler() http.Handler {
	mux := http.NewServeMux()
	handle := func(pattern string, h func(w http.ResponseWriter, r *http.Request) error) {
		mux.HandleFunc(pattern, func(w http.ResponseWriter, r *http.Request) {
			out := &begun{ResponseWriter: w}
			switch err := h(out, r); {
			case err == nil:
			case out.yes: // part of an answer is out: break it off, so that nobody takes it for the whole
				a.log.Error("an answer broke off", "request", pattern, "err", err)
				panic(http.ErrAbortHandler)
			default:
				http.Error(w, err.Error(), http.StatusUnprocessableEntity)
			}
		})
	}
	handle("POST /roster", a.takeRoster)
	handle("POST /backup", a.takeBackup)
	a.enrollHandlers(handle)
	handle("POST /import", a.takeReports)
	handle("POST /sql", a.answerSQL)
	handle("GET /alerts", a.listAlerts)
	handle("GET /alerts/{id}", a.showAlert)
	handle("POST /alerts/{id}/{verb}", a.decideAlert)
	handle("GET /orders", a.listOrders)
	handle("GET /orders/{id}", a.showOrder)
	handle("GET /sheets/{id}", a.printSheet)
	handle("POST /orders", a.openOrder)
	handle("POST /orders/{id}/{step}", a.stepOrder)
	handle("GET /plan", a.showPlan)
	handle("POST /plan", a.showPlan)
	handle("POST /plan/{job}", a.acceptPlan)
	handle("GET /deliveries", a.listDeliveries)
	handle("GET /receivers", a.listReceivers)
	handle("POST /deliveries/test", a.testDelivery)
	handle("GET /shop/facts", a.listFacts)
	handle("POST /shop/facts", a.dated(a.addFact))
	handle("POST /shop/facts/import", a.dated(a.importFacts))
	handle("POST /shop/facts/{id}/retract", a.dated(a.retractFact))
	handle("GET /shop/file", a.showShopFile)
	handle("POST /shop/file", a.takeShopFile)
	handle("GET /series", a.listSeries)
	handle("GET /common", a.listMovements)
	handle("GET /series/{unit}/{ecu}/{test}", a.showSeries)
	handle("GET /backtest", a.backtest)
	handle("GET /quarantine", a.listQuarantine)
	handle("GET /quarantine/{id}", a.showQuarantine)
	handle("POST /quarantine/replay", a.replayQuarantine)
	handle("POST /lake/compact", a.compactLake)
	handle("POST /lake/expire", a.expireLake)
	// What holds the memory, for go tool pprof; behind the private door only.
	handle("GET /debug/heap", func(w http.ResponseWriter, _ *http.Request) error { return pprof.Lookup("heap").WriteTo(w, 0) })
	a.peopleHandlers(handle)
	return fromCommand(mux)
}

// begun remembers whether an answer has begun.
type begun struct {
	http.ResponseWriter
	yes bool
}

func (b *begun) Write(p []byte) (int, error) {
	b.yes = true
	return b.ResponseWriter.Write(p)
}

func (a *app) takeRoster(w http.ResponseWriter, r *http.Request) error {
	roster, faults, err := fleet.ReadCSV(r.Body)
	if err != nil {
		return err
	}
	if len(roster.Units()) == 0 {
		return fmt.Errorf("no usable row; the roster was left as it was%s", firstFault(faults))
	}
	if err := a.setRoster(r.Context(), roster); err != nil {
		return err
	}
	t := rosterTaken{Units: len(roster.Units())}
	if err := a.note(r.Context(), "roster taken", "roster", fmt.Sprintf("%d units, %d rows left out", t.Units, len(faults))); err != nil {
		return err
	}
	for _, f := range faults {
		t.Errors = append(t.Errors, f.Error())
	}
	return json.NewEncoder(w).Encode(t)
}

func firstFault(faults []fleet.RowError) string {
	if len(faults) == 0 {
		return ""
	}
	return " (" + faults[0].Error() + ")"
}

func (a *app) takeReports(w http.ResponseWriter, r *http.Request) error {
	ctx, before := r.Context(), a.consumer.Counts()
	done := a.watch.importing()
	defer done()
	n, err := a.importLines(ctx, r.Body, nil)
	if err != nil {
		return fmt.Errorf("%w; %d reports are in the log and will be committed; run the import again for the rest", err, n.Reports)
	}
	if err := a.watch.refit(ctx); err != nil {
		return err
	}
	a.watch.writeDrift(ctx)
	open, err := a.book.List(ctx, false)
	if err != nil {
		return err
	}
	after := a.consumer.Counts()
	return json.NewEncoder(w).Encode(imported{
		Reports: n.Reports, Unreadable: n.Unreadable, Open: len(open),
		Duplicates: after.Duplicates - before.Duplicates, Quarantined: after.Quarantined - before.Quarantined,
		Readings: after.Readings - before.Readings,
	})
}
