// Package knowledge holds what the trade knows about each family of monitors: what its tests mean in
// plain words, what follows if nothing is done, what else moves the result, how to inspect it safely and
// what proves a repair. The data are JSON files, so that a fleet can read, edit and version them without
// touching code; this package only reads and checks them.
//
// The files are no service information. They order the thinking; figures, torques and limits are the
// vehicle maker's. Facts are common practice of the trade without a single source unless an entry's
// source says otherwise.
package knowledge

import (
	"embed"
	"encoding/json"
	"fmt"
	"io/fs"
	"path"
	"slices"
	"strings"
	"sync"
)

// Base is the knowledge of all families. It does not change after Load and is safe for concurrent use.
type Base struct {
	Common  Common
	entries []*Entry // narrower ones (with Tests) first, then by title
}

// Common is what belongs to every procedure.
type Common struct {
	Deference  string            `json:"deference"`    // shown with every procedure
	DoNotClear string            `json:"do_not_clear"` // why stored codes stay where they are
	Safety     []Caution         `json:"safety"`       // in the order of printing
	Steps      []Step            `json:"steps"`        // first steps that families share, with an id
	Equipment  map[string]string `json:"equipment"`
	Source     string            `json:"source"`
}

// A Caution is one safety note. Its id is stable, so that entries can name it.
type Caution struct {
	ID   string `json:"id"`
	Text string `json:"text"`
}

// Kind is what a step does.
type Kind string

// The kinds of step, in the order they are done: nothing is replaced before the last.
const (
	Look       Kind = "look"
	Electrical Kind = "electrical"
	Command    Kind = "command"   // proves the electrical half only
	Manual     Kind = "manual"    // proves the mechanical half: hold, flow
	Component  Kind = "component" // against the maker's figures
	Verify     Kind = "verify"
)

var order = []Kind{Look, Electrical, Command, Manual, Component, Verify}

// A Step is one thing to do.
type Step struct {
	ID        string   `json:"id,omitempty"` // of common steps only
	Kind      Kind     `json:"kind"`
	Do        string   `json:"do"`
	Pass      string   `json:"pass,omitempty"`      // what a good result looks like
	Equipment []string `json:"equipment,omitempty"` // ids
}

// An Entry is what is known of a family, or of some tests of it.
type Entry struct {
	Families []string `json:"families"`
	Tests    []string `json:"tests,omitempty"` // prefixes of test keys; none = every test of the families
	Title    string   `json:"title"`

	Measures    string `json:"measures"` // what is tested, completes "the test of ..."
	Drift       string `json:"drift"`    // one sentence for a manager: what a drift means
	DriftDiesel string `json:"drift_diesel,omitempty"`
	DriftMin    string `json:"drift_min,omitempty"` // where the value falls to its minimum and that means something else
	Wait        string `json:"wait"`                // one sentence: what follows if nothing is done
	WaitDiesel  string `json:"wait_diesel,omitempty"`

	Class  string `json:"class"`            // consequence where nothing raises it
	Raises []Rule `json:"raises,omitempty"` // the first that fits decides instead

	Codes       string   `json:"codes,omitempty"`
	TimeScale   string   `json:"time_scale"`
	Confounders []string `json:"confounders"`
	Conditions  []string `json:"conditions"` // under which the monitor runs
	Needs       []string `json:"needs,omitempty"`
	Skills      []string `json:"skills"`                // a technician needs all of them
	Bay         []string `json:"bay,omitempty"`         // kinds the bay must offer
	ColdSoak    bool     `json:"cold_soak,omitempty"`   // the check itself needs a cold unit
	FuelWindow  bool     `json:"fuel_window,omitempty"` // a quarter to three quarters of a tank
	Safety      []string `json:"safety"`                // ids of cautions
	Common      []string `json:"common"`                // ids of common steps, done first
	Steps       []Step   `json:"steps"`
	Hours       Hours    `json:"hours"`
	Proof       Proof    `json:"proof"`
	Warranty    string   `json:"warranty"` // "major" for parts with the longer cover, else "other"
	Source      string   `json:"source"`
}

// A Rule gives another consequence to some units; empty fields fit all.
type Rule struct {
	Fuel   string   `json:"fuel,omitempty"`   // petrol or diesel
	Weight []string `json:"weight,omitempty"` // weight classes
	Class  string   `json:"class"`
}

// Hours are labour hours, low and high.
type Hours struct {
	Check  [2]float64 `json:"check"`
	Repair string     `json:"repair"`
}

// Proof is what shows that a repair worked.
type Proof struct {
	Runs       int    `json:"runs"` // fresh results near the old healthy level
	Conditions string `json:"conditions"`
	Typical    string `json:"typical"` // how long that usually takes
}

//go:embed data/*.json
var files embed.FS

// Builtin is the knowledge that comes with the program. Its files are checked by the tests of this
// package; it panics only when the program was built from broken ones.
func Builtin() *Base { return builtin() }

var builtin = sync.OnceValue(func() *Base {
	sub, err := fs.Sub(files, "data")
	if err == nil {
		var b *Base
		if b, err = Load(sub); err == nil {
			return b
		}
	}
	panic(err)
})

const commonFile = "common.json"

// Load reads every JSON file of a folder and checks them. The error names the file and what is wrong.
func Load(dir fs.FS) (*Base, error) {
	names, err := fs.Glob(dir, "*.json")
	if err != nil {
		return nil, fmt.Errorf("knowledge: %w", err)
	}
	b := &Base{}
	from := map[*Entry]string{}
	for _, name := range names {
		text, err := fs.ReadFile(dir, name)
		if err != nil {
			return nil, fmt.Errorf("knowledge: %w", err)
		}
		var into any = &b.Common
		if name != commonFile {
			e := &Entry{}
			b.entries = append(b.entries, e)
			from[e], into = name, e
		}
		dec := json.NewDecoder(strings.NewReader(string(text)))
		dec.DisallowUnknownFields()
		if err := dec.Decode(into); err != nil {
			return nil, fmt.Errorf("knowledge: %s: %w", path.Base(name), err)
		}
	}
	for _, e := range b.entries {
		if err := b.lint(e); err != nil {
			return nil, fmt.Errorf("knowledge: %s: %w", from[e], err)
		}
	}
	if err := b.lintCommon(); err != nil {
		return nil, fmt.Errorf("knowledge: %s: %w", commonFile, err)
	}
	slices.SortStableFunc(b.entries, func(x, y *Entry) int {
		if n := len(y.Tests) - len(x.Tests); n != 0 {
			return n
		}
		return strings.Compare(x.Title, y.Title)
	})
	return b, nil
}

// fallback is the family of the entry for tests that nobody knows.
const fallback = "unknown"

// For is the entry for a test of a family: the one written for that test, else the family's, else the
// one for unknown tests. It is never nil.
func (b *Base) For(family, test string) *Entry {
	for _, e := range b.entries {
		if slices.Contains(e.Families, family) && e.fits(test) {
			return e
		}
	}
	if family == fallback {
		return &Entry{Title: "Test", Measures: "an unknown part", Class: "cost"}
	}
	return b.For(fallback, test)
}

func (e *Entry) fits(test string) bool {
	return len(e.Tests) == 0 || slices.ContainsFunc(e.Tests, func(p string) bool { return strings.HasPrefix(test, p) })
}

// Entries are all entries, those for single tests first.
func (b *Base) Entries() []*Entry { return slices.Clone(b.entries) }

// Families are the families of monitors that the base knows, in order.
func (b *Base) Families() []string {
	var out []string
	for _, e := range b.entries {
		for _, f := range e.Families {
			if f != "" && f != "unknown" && !slices.Contains(out, f) {
				out = append(out, f)
			}
		}
	}
	slices.Sort(out)
	return out
}

// ClassFor is the consequence class for a unit of this fuel (petrol, diesel or "") and weight class.
func (e *Entry) ClassFor(fuel, weight string) string {
	for _, r := range e.Raises {
		if (r.Fuel == "" || r.Fuel == fuel) && (len(r.Weight) == 0 || slices.Contains(r.Weight, weight)) {
			return r.Class
		}
	}
	return e.Class
}

// Cautions are the cautions with these ids, each once, in the order of printing.
func (b *Base) Cautions(ids []string) []Caution {
	var out []Caution
	for _, c := range b.Common.Safety {
		if slices.Contains(ids, c.ID) {
			out = append(out, c)
		}
	}
	return out
}

// CommonSteps are the common steps with these ids, each once, in their order.
func (b *Base) CommonSteps(ids []string) []Step {
	var out []Step
	for _, s := range b.Common.Steps {
		if slices.Contains(ids, s.ID) {
			out = append(out, s)
		}
	}
	return out
}
