package knowledge

import (
	"errors"
	"fmt"
	"regexp"
	"slices"
	"strings"
)

var word = regexp.MustCompile(`^[a-z_]+$`)

var classes = []string{"stop", "road_call", "compliance", "cost", "note"}

// lint checks one entry: a procedure without cautions, with steps out of order or with advice that breaks
// the rules of the trade is refused.
func (b *Base) lint(e *Entry) error {
	var errs []error
	fault := func(format string, v ...any) { errs = append(errs, fmt.Errorf(format, v...)) }
	for name, text := range map[string]string{
		"title": e.Title, "measures": e.Measures, "drift": e.Drift, "wait": e.Wait, "time_scale": e.TimeScale,
		"source": e.Source, "proof.conditions": e.Proof.Conditions, "hours.repair": e.Hours.Repair,
	} {
		if strings.TrimSpace(text) == "" {
			fault("%s is empty", name)
		}
	}
	for name, text := range map[string]string{"drift": e.Drift, "drift_diesel": e.DriftDiesel, "drift_min": e.DriftMin, "wait": e.Wait, "wait_diesel": e.WaitDiesel} {
		if text != "" && (strings.Count(text+" ", ". ") != 1 || !strings.HasSuffix(text, ".")) {
			fault("%s is not one sentence: %q", name, text)
		}
	}
	if len(e.Families) == 0 || len(e.Steps) == 0 || len(e.Confounders) == 0 || len(e.Conditions) == 0 {
		fault("families, steps, confounders and conditions are needed")
	}
	for _, c := range append([]string{e.Class}, raised(e)...) {
		if !slices.Contains(classes, c) {
			fault("class %q is none of %v", c, classes)
		}
	}
	if e.Warranty != "major" && e.Warranty != "other" {
		fault("warranty %q: want major or other", e.Warranty)
	}
	if len(e.Safety) == 0 {
		fault("no cautions")
	}
	for _, id := range e.Safety {
		if !slices.ContainsFunc(b.Common.Safety, func(c Caution) bool { return c.ID == id }) {
			fault("caution %q does not exist", id)
		}
	}
	for _, id := range e.Common {
		if !slices.ContainsFunc(b.Common.Steps, func(s Step) bool { return s.ID == id }) {
			fault("common step %q does not exist", id)
		}
	}
	if e.Skills == nil {
		fault("skills is missing; [] where anybody can do it")
	}
	for _, w := range slices.Concat(e.Skills, e.Bay) {
		if !word.MatchString(w) {
			fault("skill or bay %q: want one lower-case word", w)
		}
	}
	for _, n := range []struct {
		set  bool
		says string
	}{{e.ColdSoak, "soak"}, {e.FuelWindow, "fuel"}} {
		if n.set && !slices.ContainsFunc(e.Needs, func(s string) bool { return strings.Contains(strings.ToLower(s), n.says) }) {
			fault("needs says nothing of the %s that the schedule asks for", n.says)
		}
	}
	if e.Proof.Runs < 1 {
		fault("proof.runs is %d", e.Proof.Runs)
	}
	if e.Hours.Check[0] <= 0 || e.Hours.Check[1] < e.Hours.Check[0] {
		fault("hours.check is %v", e.Hours.Check)
	}
	errs = append(errs, b.lintSteps(e.Steps))
	return errors.Join(errs...)
}

func raised(e *Entry) []string {
	var out []string
	for _, r := range e.Raises {
		out = append(out, r.Class)
	}
	return out
}

// lintSteps checks that steps go from looking to proving and that none of them clears a code.
func (b *Base) lintSteps(steps []Step) error {
	last := 0
	for i, s := range steps {
		at := slices.Index(order, s.Kind)
		switch {
		case at < 0:
			return fmt.Errorf("step %d: kind %q is none of %v", i+1, s.Kind, order)
		case at < last:
			return fmt.Errorf("step %d: %s after %s", i+1, s.Kind, order[last])
		case strings.TrimSpace(s.Do) == "":
			return fmt.Errorf("step %d says nothing", i+1)
		}
		last = at
		for _, id := range s.Equipment {
			if b.Common.Equipment[id] == "" {
				return fmt.Errorf("step %d: equipment %q does not exist", i+1, id)
			}
		}
		if ClearsCodes(s.Do) || ClearsCodes(s.Pass) {
			return fmt.Errorf("step %d clears codes: %q", i+1, s.Do)
		}
	}
	return nil
}

func (b *Base) lintCommon() error {
	c := b.Common
	switch {
	case c.Deference == "" || c.DoNotClear == "" || c.Source == "":
		return errors.New("deference, do_not_clear and source are needed")
	case len(c.Safety) == 0 || len(c.Steps) == 0:
		return errors.New("no cautions or no common steps")
	}
	return b.lintSteps(c.Steps)
}

// ClearsCodes says whether a text tells someone to clear codes, other than in "do not clear".
func ClearsCodes(text string) bool {
	t := strings.ToLower(text)
	for _, verb := range []string{"clear", "erase", "reset"} {
		for _, what := range []string{" code", " the code", " codes", " the codes", " stored codes", " fault codes", " dtc"} {
			for rest := t; ; {
				before, after, found := strings.Cut(rest, verb+what)
				if !found {
					break
				}
				if !strings.HasSuffix(before, "do not ") && !strings.HasSuffix(before, "never ") {
					return true
				}
				rest = after
			}
		}
	}
	return false
}
