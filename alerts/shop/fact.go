package shop

import (
	"crypto/sha256"
	"encoding/base32"
	"encoding/json"
	"errors"
	"fmt"
	"slices"
	"strings"
	"sync"
	"time"

	"marginline/alerts/knowledge"
)

// Kind is what a fact tells.
type Kind string

// The kinds of fact.
const (
	Service Kind = "service" // a PM service was done
	Repair  Kind = "repair"  // work outside of our orders: another shop, the road, a recall
	Clear   Kind = "clear"   // codes were cleared or the battery was off
	Reflash Kind = "reflash" // a control unit was reprogrammed or replaced
	Dongle  Kind = "dongle"  // the dongle was moved or swapped
	Part    Kind = "part"    // parts on the shelf of a depot
	Report  Kind = "report"  // what a driver or technician noticed
	Needed  Kind = "needed"  // dispatch needs the unit, from date to until
)

// Kinds are all kinds of fact.
var Kinds = []Kind{Service, Repair, Clear, Reflash, Dongle, Part, Report, Needed}

// Symptoms are what a report may name. The first two stop a unit (common practice, no source).
var Symptoms = []string{"fuel_smell", "flashing_lamp", "lamp", "road_call", "low_power", "rough", "noise", "smoke", "hard_start", "fuel_use", "other"}

// Families are the families of monitors that a repair may touch. One that names its family starts the sums of that
// family's series anew.
func Families() []string { return families() }

var families = sync.OnceValue(func() []string { return knowledge.Builtin().Families() })

// A Fact is one thing that happened. Fields that its kind does not use are empty.
type Fact struct {
	ID    string    `json:"id"`
	Kind  Kind      `json:"kind"`
	Unit  string    `json:"unit,omitempty"`
	Depot string    `json:"depot,omitempty"` // of parts
	At    time.Time `json:"at"`
	By    string    `json:"by"`             // who did or noticed it
	Text  string    `json:"text,omitempty"` // in their words

	Level       string     `json:"level,omitempty"`   // of a service: A, B, C
	Family      string     `json:"family,omitempty"`  // of monitors that a repair touched
	ECU         string     `json:"ecu,omitempty"`     // address of the control unit that was programmed or replaced; "" = any
	Symptom     string     `json:"symptom,omitempty"` // of a report
	Device      string     `json:"device,omitempty"`  // of the dongle now in the unit
	Part        string     `json:"part,omitempty"`
	Quantity    *float64   `json:"quantity,omitempty"`
	OdometerKm  *float64   `json:"odometer_km,omitempty"`
	EngineHours *float64   `json:"engine_hours,omitempty"`
	Until       *time.Time `json:"until,omitempty"` // last day that dispatch needs the unit
}

// Check says what a fact lacks, or gives it its id.
func (f *Fact) Check(now time.Time) error {
	var errs []error
	need := func(ok bool, what string) {
		if !ok {
			errs = append(errs, errors.New(what))
		}
	}
	need(slices.Contains(Kinds, f.Kind), fmt.Sprintf("kind %q: want one of %v", f.Kind, Kinds))
	need(f.Kind == Part || f.Unit != "", "a unit is needed")
	need(!f.At.IsZero(), "a date is needed")
	need(f.At.Year() >= 1990 || f.At.IsZero(), "the date is before 1990")
	need(f.Kind == Needed || !f.At.After(now.Add(24*time.Hour)), "the date lies in the future")
	need(strings.TrimSpace(f.By) != "", "who did or noticed it is needed")
	need(len(f.Text) <= 4000, "the text is longer than 4000 characters")
	need(f.Family == "" || slices.Contains(Families(), f.Family), fmt.Sprintf("family %q: want one of %v", f.Family, Families()))
	switch f.Kind {
	case Part:
		need(f.Depot != "" && f.Part != "" && f.Quantity != nil, "parts need depot, part and quantity")
	case Report:
		need(slices.Contains(Symptoms, f.Symptom), fmt.Sprintf("symptom %q: want one of %v", f.Symptom, Symptoms))
	case Repair:
		need(strings.TrimSpace(f.Text) != "", "say what was repaired")
	case Needed:
		need(f.Until != nil && !f.Until.Before(f.At) && f.Until.Sub(f.At) <= 60*24*time.Hour, "until is needed, not before date and at most 60 days later")
	case Reflash:
		need(len(f.ECU) <= 8, "ecu: the address of one control unit, such as 7e8")
	case Dongle:
		need(f.Device != "", "the device now in the unit is needed")
	}
	for name, v := range map[string]*float64{"quantity": f.Quantity, "odometer_km": f.OdometerKm, "engine_hours": f.EngineHours} {
		need(v == nil || *v >= 0, name+" is below 0")
	}
	if len(errs) > 0 {
		return errors.Join(errs...)
	}
	f.At = f.At.UTC()
	f.ID = ""
	text, err := json.Marshal(f)
	if err != nil {
		return err
	}
	sum := sha256.Sum256(text)
	f.ID = "f-" + base32.StdEncoding.EncodeToString(sum[:])[:12]
	return nil
}

// Stops says whether a report keeps the unit in the yard: raw fuel or a misfire that destroys the catalyst.
func (f *Fact) Stops() bool {
	return f.Kind == Report && (f.Symptom == "fuel_smell" || f.Symptom == "flashing_lamp")
}

var kindWords = map[Kind]string{
	Service: "PM service", Repair: "repair outside", Clear: "codes cleared or battery off", Reflash: "control unit reprogrammed or replaced",
	Dongle: "dongle moved", Part: "parts counted", Report: "report", Needed: "needed by dispatch",
}

var symptomWords = map[string]string{
	"fuel_smell": "smell of fuel", "flashing_lamp": "flashing lamp", "lamp": "lamp on", "road_call": "road call", "low_power": "low power",
	"rough": "runs roughly", "noise": "noise", "smoke": "smoke", "hard_start": "starts badly", "fuel_use": "uses more fuel", "other": "something noticed",
}

// Words is a kind in words.
func (k Kind) Words() string { return kindWords[k] }

// Symptom is a symptom in words.
func Symptom(name string) string { return symptomWords[name] }

// Words is the fact in a few words, without its date.
func (f *Fact) Words() string {
	s := kindWords[f.Kind]
	switch {
	case f.Kind == Service && f.Level != "":
		s += " " + f.Level
	case f.Kind == Report:
		s = symptomWords[f.Symptom] + " reported"
	case f.Kind == Part:
		s = f.Part
	}
	if f.By != "" {
		s += " (" + f.By + ")"
	}
	if f.Text != "" {
		s += ": " + strings.TrimRight(f.Text, ". ")
	}
	return s
}
