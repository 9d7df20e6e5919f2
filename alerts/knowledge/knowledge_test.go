package knowledge

import (
	"encoding/csv"
	"io/fs"
	"os"
	"regexp"
	"slices"
	"strings"
	"testing"
	"testing/fstest"
)

// texts are all words of an entry that a person may read.
func texts(e *Entry) []string {
	out := []string{e.Title, e.Measures, e.Drift, e.DriftDiesel, e.DriftMin, e.Wait, e.WaitDiesel, e.TimeScale, e.Hours.Repair, e.Proof.Conditions}
	out = append(out, e.Confounders...)
	out = append(out, e.Conditions...)
	out = append(out, e.Needs...)
	for _, s := range e.Steps {
		out = append(out, s.Do, s.Pass)
	}
	return out
}

// Every family that the decoder can name has an entry of its own.
func TestEveryFamily(t *testing.T) {
	f, err := os.Open("../../ingest/obd/tables/monitors.csv")
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	rows, err := csv.NewReader(f).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	column := slices.Index(rows[0], "family")
	seen := map[string]bool{}
	for _, r := range rows[1:] {
		family := r[column]
		if seen[family] || family == "support_bitmap" { // no test results
			continue
		}
		seen[family] = true
		if e := Builtin().For(family, "x"); !slices.Contains(e.Families, family) {
			t.Errorf("family %s falls back to %q", family, e.Title)
		}
	}
	if len(seen) < 15 {
		t.Errorf("only %d families in the monitor table", len(seen))
	}
	if e := Builtin().For("", ""); e.Title == "" || len(e.Steps) == 0 {
		t.Errorf("no family: %+v", e)
	}
}

func TestForOneTest(t *testing.T) {
	if e := Builtin().For("evap", "m3d.t01"); !strings.Contains(e.Title, "purge") {
		t.Errorf("m3d.t01: %s", e.Title)
	}
	if e := Builtin().For("evap", "m3c.t01"); !strings.Contains(e.Title, "leak") {
		t.Errorf("m3c.t01: %s", e.Title)
	}
}

// No procedure without making the unit safe and without the cautions its work needs; a step with exhaust,
// fuel or urea in it has their caution.
func TestCautions(t *testing.T) {
	b := Builtin()
	if first := b.Common.Safety[0]; first.ID != "SF8" {
		t.Errorf("first caution is %s, want making the unit safe", first.ID)
	}
	needs := map[string][]string{ // a word in a step, and the cautions it calls for
		"fuel pressure": {"SF1", "SF4"}, "smoke the intake": {"SF1"}, "inert-gas": {"SF1", "SF2", "SF3"}, "injector": {"SF4"},
		"regeneration": {"SF5"}, "hot run": {"SF5"}, "hot cycle": {"SF5", "SF6"}, "back-pressure": {"SF5", "SF6"}, "coolant": {"SF9"},
		"urea": {"SF11"}, "ash measure": {"SF12"}, "heavy cable": {"SF10"}, "engine idling": {"SF6", "SF7"}, "at idle": {"SF6", "SF7"}, "exhaust leak": {"SF5"},
	}
	for _, e := range b.Entries() {
		if !slices.Contains(e.Safety, "SF8") {
			t.Errorf("%s: nothing makes the unit safe first", e.Title)
		}
		if got := b.Cautions(e.Safety); len(got) != len(e.Safety) {
			t.Errorf("%s: %d cautions of %v", e.Title, len(got), e.Safety)
		}
		if proof := e.Steps[len(e.Steps)-1]; regexp.MustCompile(`(?i)driv|trip|cruise|loaded|highway|regenerations`).MatchString(proof.Do) && !slices.Contains(e.Safety, "SF13") {
			t.Errorf("%s: a road test without its caution", e.Title)
		}
		for _, s := range e.Steps {
			for word, ids := range needs {
				if !strings.Contains(strings.ToLower(s.Do), word) {
					continue
				}
				for _, id := range ids {
					if !slices.Contains(e.Safety, id) && !exempt[e.Title+" "+word+" "+id] {
						t.Errorf("%s: step with %q lacks %s: %s", e.Title, word, id, s.Do)
					}
				}
			}
		}
	}
}

// The catalyst's causes are read from the screen there, not worked on.
var exempt = map[string]bool{"Catalyst coolant SF9": true}

func TestNothingClearsCodes(t *testing.T) {
	for text, want := range map[string]bool{
		"Clear the codes and retest.": true, "then clear codes": true, "Erase codes": true, "reset DTC": true,
		"Do not clear codes.": false, "Never clear codes": false, "ports and hoses clear": false, "do not clear codes, later clear codes": true,
	} {
		if ClearsCodes(text) != want {
			t.Errorf("ClearsCodes(%q) is %v", text, !want)
		}
	}
	b := Builtin()
	for _, e := range b.Entries() {
		for _, s := range texts(e) {
			if ClearsCodes(s) {
				t.Errorf("%s: %s", e.Title, s)
			}
		}
	}
	if !strings.Contains(b.CommonSteps([]string{"U1"})[0].Do, "Do not clear codes") {
		t.Error("the first common step does not say that codes stay")
	}
	for _, s := range b.Common.Steps {
		if ClearsCodes(s.Do) {
			t.Error(s.Do)
		}
	}
}

// The evaporative leak procedure. Common practice, no source, but for inert gas: published studies of fires
// in leak testing (second-hand).
func TestEvapProcedure(t *testing.T) {
	b := Builtin()
	for _, test := range []string{"m39.t01", "m3b.t01", "m3c.t01", "m3d.t01"} {
		e := b.For("evap", test)
		words := append(texts(e), "")
		for _, c := range b.Cautions(e.Safety) {
			words = append(words, c.Text)
		}
		for _, w := range words {
			for _, part := range strings.FieldsFunc(w, func(r rune) bool { return r == '.' || r == ';' }) {
				p := strings.ToLower(part)
				if (strings.Contains(p, "shop air") || strings.Contains(p, "compressed air")) && !strings.Contains(p, "never put shop air") {
					t.Errorf("%s: speaks of shop air: %s", e.Title, part)
				}
			}
		}
		all := strings.Join(words, "\n")
		for _, want := range []string{"inert gas (nitrogen) only", "at most about 0.5 psi (14 inH2O)", "no sparks, flames", "Never put shop air into a fuel tank"} {
			if !strings.Contains(all, want) {
				t.Errorf("%s: does not say %q", e.Title, want)
			}
		}
		for _, m := range regexp.MustCompile(`([0-9.]+) psi`).FindAllStringSubmatch(strings.Join(texts(e), "\n"), -1) {
			if m[1] != "0.5" {
				t.Errorf("%s: %s psi", e.Title, m[1])
			}
		}
	}

	e := b.For("evap", "m3c.t01")
	at := func(words string) int {
		i := slices.IndexFunc(e.Steps, func(s Step) bool { return strings.Contains(s.Do+" "+s.Pass, words) })
		if i < 0 {
			t.Fatalf("no step says %q", words)
		}
		return i
	}
	look, click, hold := at("Cap and filler neck"), at("A click proves the electrical half only"), at("after three or four full cycles")
	buildUp, smoke := at("quick build-up means a restriction"), at("inert-gas smoke at 0.5 psi (14 inH2O) or less")
	if !slices.IsSorted([]int{look, click, hold, buildUp, smoke}) {
		t.Errorf("order of steps: look %d, click %d, hold %d, build-up %d, smoke %d", look, click, hold, buildUp, smoke)
	}
	for at, want := range map[int]string{
		click:   "at 50 % duty it proves the click",
		hold:    "5 to 7 inH2O (6 to 7 is also quoted)",
		buildUp: "no build-up means a gross leak",
	} {
		if !strings.Contains(e.Steps[at].Do, want) {
			t.Errorf("step %d does not say %q: %s", at+1, want, e.Steps[at].Do)
		}
	}
	if s := e.Steps[hold]; !strings.Contains(s.Do, "it must hold") || s.Kind != Manual || e.Steps[click].Kind != Command {
		t.Errorf("hold step: %+v", s)
	}
}

// Every commanded actuator check says that it proves the electrical half only, where something clicks or moves.
func TestCommandsProveTheElectricalHalf(t *testing.T) {
	for _, e := range Builtin().Entries() {
		for _, s := range e.Steps {
			d := strings.ToLower(s.Do)
			if s.Kind == Command && (strings.Contains(d, "click") || strings.Contains(d, "travel") || strings.Contains(d, "solenoid")) && !strings.Contains(d, "electrical half only") {
				t.Errorf("%s: %s", e.Title, s.Do)
			}
		}
	}
}

func TestWordsOfTheTrade(t *testing.T) {
	bad := regexp.MustCompile(`\b(PM|DPF|RO)\b`) // PM service and particulate filter are written in full
	ids := regexp.MustCompile(`\b(U|SF|EQ)[0-9]+\b`)
	for _, e := range Builtin().Entries() {
		for _, s := range texts(e) {
			if bad.MatchString(strings.ReplaceAll(s, "PM service", "")) {
				t.Errorf("%s: %s", e.Title, s)
			}
		}
		for _, s := range texts(e) {
			if ids.MatchString(s) {
				t.Errorf("%s names an id that nobody sees on paper: %s", e.Title, s)
			}
		}
		if e.Source == "" || !strings.Contains(e.Source, "no source") && !strings.Contains(e.Source, "from memory") {
			t.Errorf("%s: no mark: %q", e.Title, e.Source)
		}
	}
}

// The linter refuses what would be dangerous or would read as nonsense.
func TestLoad_Failure(t *testing.T) {
	sub, err := fs.Sub(files, "data")
	if err != nil {
		t.Fatal(err)
	}
	read := func(name string) string {
		text, err := fs.ReadFile(sub, name)
		if err != nil {
			t.Fatal(err)
		}
		return string(text)
	}
	common, vvt := read("common.json"), read("vvt.json")
	for name, c := range map[string]struct{ old, new, want string }{
		"not JSON":        {"{", "", "vvt.json"},
		"unknown field":   {`"title"`, `"titel"`, "titel"},
		"no cautions":     {`"SF7",`, `"SF99",`, "SF99"},
		"unknown class":   {`"cost"`, `"dear"`, `"dear"`},
		"clears codes":    {"A warm trip.", "Clear the codes and drive.", "clears codes"},
		"order of steps":  {`"command"`, `"verify"`, "after"},
		"two sentences":   {"Valve timing moves sluggishly;", "Valve timing moves sluggishly. Well;", "one sentence"},
		"equipment":       {`"EQ1"`, `"EQ77"`, "EQ77"},
		"common step":     {`"U5"`, `"U77"`, "U77"},
		"no proof":        {`"runs": 3`, `"runs": 0`, "proof"},
		"hours backwards": {"0.3,\n      0.7", "3,\n      0.7", "hours"},
	} {
		changed := strings.Replace(vvt, c.old, c.new, 1)
		if changed == vvt {
			t.Fatalf("%s: the file has no %q", name, c.old)
		}
		_, err := Load(fstest.MapFS{"common.json": {Data: []byte(common)}, "vvt.json": {Data: []byte(changed)}})
		if err == nil || !strings.Contains(err.Error(), c.want) || !strings.Contains(err.Error(), "vvt.json") {
			t.Errorf("%s: %v, want it to name %q", name, err, c.want)
		}
	}
	if _, err := Load(fstest.MapFS{"vvt.json": {Data: []byte(vvt)}}); err == nil {
		t.Error("no common file: accepted")
	}
	if _, err := Load(fstest.MapFS{"common.json": {Data: []byte(common)}, "vvt.json": {Data: []byte(vvt)}}); err != nil {
		t.Errorf("as they are: %v", err)
	}
}

// The families of monitors that the trade tells apart (common practice, no source) all have an entry; heavy trucks share the key.
func TestFamiliesOfTheTrade(t *testing.T) {
	for _, family := range []string{"evap", "catalyst", "heated_catalyst", "o2_sensor", "o2_heater", "egr", "vvt", "misfire", "fuel_system", "secondary_air",
		"boost", "nox_adsorber", "nox_catalyst_scr", "pm_filter", "crankcase", "thermostat"} {
		e := Builtin().For(family, "x")
		if !slices.Contains(e.Families, family) {
			t.Errorf("%s falls back to %q", family, e.Title)
		}
		if e.Codes == "" || e.TimeScale == "" || e.Source == "" || e.Skills == nil {
			t.Errorf("%s: codes %q, time scale %q, source %q, skills %v", family, e.Codes, e.TimeScale, e.Source, e.Skills)
		}
	}
}

// The order of steps and the cautions of a leak in the fuel vapour system (common practice; the limit of
// 0.5 psi or 14 inches of water and the ban of shop air: EPA evaporative test guidance and published tank-fire
// studies, second-hand).
func TestEvaporativeLeak(t *testing.T) {
	b := Builtin()
	e := b.For("evap", "m3c.t01")
	var cautions strings.Builder
	for _, c := range b.Cautions(e.Safety) {
		cautions.WriteString(c.Text + "\n")
	}
	for _, want := range []string{"Never put shop air", "inert gas", "0.5 psi (14 inH2O)", "no sparks"} {
		if !strings.Contains(cautions.String(), want) {
			t.Errorf("no caution says %q", want)
		}
	}
	at := func(want string) int {
		t.Helper()
		i := slices.IndexFunc(e.Steps, func(s Step) bool { return strings.Contains(s.Do, want) })
		if i < 0 {
			t.Errorf("no step says %q", want)
		}
		return i
	}
	click, pump, build, smoke := at("A click proves the electrical half only"), at("three or four full cycles the diaphragm must be up, and it must hold"), at("quick build-up means a restriction"), at("inert-gas smoke")
	if !(click < pump && pump < build && build < smoke) {
		t.Errorf("order of steps: %d %d %d %d", click, pump, build, smoke)
	}
	if !strings.Contains(e.Steps[build].Do, "no build-up means a gross leak") || !strings.HasPrefix(e.Steps[smoke].Do, "Only after the simple checks") || !strings.Contains(e.Steps[smoke].Do, "0.5 psi (14 inH2O) or less") {
		t.Errorf("%s\n%s", e.Steps[build].Do, e.Steps[smoke].Do)
	}
}
