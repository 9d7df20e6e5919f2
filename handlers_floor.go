package main

import (
	"encoding/json"
	"fmt"
	"io"
	"net/http"
	"time"

	"marginline/alerts/shop"
)

// dated builds the series state first: without a service, the newest reading is what "now" means.
func (a *app) dated(h func(http.ResponseWriter, *http.Request) error) func(http.ResponseWriter, *http.Request) error {
	return func(w http.ResponseWriter, r *http.Request) error {
		if err := a.watch.ready(r.Context()); err != nil {
			return err
		}
		return h(w, r)
	}
}

// importFacts takes a CSV file of facts.
func (a *app) importFacts(w http.ResponseWriter, r *http.Request) error {
	text, err := io.ReadAll(http.MaxBytesReader(w, r.Body, 64<<20))
	if err != nil {
		return fmt.Errorf("shop facts: %w", err)
	}
	t, err := a.floor.ImportFacts(r.Context(), text, r.FormValue("by"))
	if err != nil {
		return err
	}
	return json.NewEncoder(w).Encode(t)
}

func (a *app) addFact(w http.ResponseWriter, r *http.Request) error {
	if err := r.ParseForm(); err != nil {
		return err
	}
	f := shop.Fact{At: a.now().UTC().Truncate(time.Second)}
	if err := f.SetAll(r.Form.Get); err != nil {
		return err
	}
	f, err := a.floor.TakeFact(r.Context(), f)
	if err != nil {
		return err
	}
	_, err = fmt.Fprintln(w, f.ID)
	return err
}

func (a *app) listFacts(w http.ResponseWriter, r *http.Request) error {
	list, err := a.floor.Facts(r.Context(), r.FormValue("unit"))
	if err != nil {
		return err
	}
	if r.FormValue("form") == "json" {
		return writeJSON(w, list)
	}
	l := listing{columns: []string{"id", "unit", "date", "kind", "what", "odometer_km"}}
	for _, f := range list {
		l.add(f.ID, f.Unit, f.At, string(f.Kind), f.Words(), f.OdometerKm)
	}
	return l.print(w, r.FormValue("form"))
}

func (a *app) retractFact(w http.ResponseWriter, r *http.Request) error {
	if err := a.floor.Retract(r.Context(), r.PathValue("id"), r.FormValue("by"), r.FormValue("reason")); err != nil {
		return err
	}
	_, err := fmt.Fprintf(w, "%s is taken back; it stays in the table with the reason\n", r.PathValue("id"))
	return err
}

func (a *app) showShopFile(w http.ResponseWriter, r *http.Request) error {
	_, text, version, err := a.floor.File(r.Context())
	if err != nil {
		return err
	}
	if version == 0 {
		return fmt.Errorf("no shop file yet; see 'shop file --help'")
	}
	_, err = io.WriteString(w, text)
	return err
}

func (a *app) takeShopFile(w http.ResponseWriter, r *http.Request) error {
	text, err := io.ReadAll(http.MaxBytesReader(w, r.Body, 1<<20))
	if err != nil {
		return fmt.Errorf("shop file: %w", err)
	}
	f, err := a.floor.Install(r.Context(), string(text), r.FormValue("by"))
	if err != nil {
		return err
	}
	_, err = fmt.Fprintf(w, "%d depots are in force\n", len(f.Depots))
	return err
}
