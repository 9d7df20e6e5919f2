package alerts

import (
	"cmp"
	"maps"
	"slices"
	"strings"
	"time"

	"marginline/analyze"
	"marginline/ingest/series"
)

// An episode is the signals of one suspected cause that overlap in time: one row of the book.
type episode struct {
	cause   string // family, or a claim of its own within it
	family  string
	ordinal int              // of the cause's episodes in this unit, from 1
	signals []analyze.Signal // in the order of bySignal
}

// surpriseSpan is how long after a code without warning the tests of its family still count to the same
// cause. Such a signal never ends by itself, and a drift months later is another matter.
const surpriseSpan = 14 * 24 * time.Hour

// causeOf names the suspected cause of a signal: for now the family of its monitor. That a test no longer
// runs is a matter of its own: nothing is known to be wrong.
func causeOf(s *analyze.Signal) string {
	if s.Kind == analyze.NotRunning {
		return familyOf(s) + "/not_running"
	}
	return familyOf(s)
}

func familyOf(s *analyze.Signal) string { return cmp.Or(s.Family, "unknown") }

// episodes groups signals by cause and, within it, by time.
func episodes(signals []analyze.Signal) []*episode {
	byCause := map[string][]analyze.Signal{}
	for _, s := range signals {
		byCause[causeOf(&s)] = append(byCause[causeOf(&s)], s)
	}
	var out []*episode
	for _, cause := range slices.Sorted(maps.Keys(byCause)) {
		list := byCause[cause]
		slices.SortFunc(list, bySignal)
		var open *episode
		n := 0
		for _, s := range list {
			if open == nil || !open.reaches(s.RaisedAt) {
				n++
				open = &episode{cause: cause, family: familyOf(&s), ordinal: n}
				out = append(out, open)
			}
			open.signals = append(open.signals, s)
		}
	}
	return out
}

// severity orders the kinds: an alert shows the highest that stands.
var severity = []analyze.Kind{analyze.NotRunning, analyze.Intermittent, analyze.Drift, analyze.Jump, analyze.Imminent, analyze.Failed, analyze.Surprise, Reported}

func rank(k analyze.Kind) int { return slices.Index(severity, k) }

// bySignal orders signals by time and, at one time, the gravest first: that is the one that raises.
func bySignal(a, b analyze.Signal) int {
	return cmp.Or(a.RaisedAt.Compare(b.RaisedAt), rank(b.Kind)-rank(a.Kind),
		cmp.Compare(a.Key.ECU, b.Key.ECU), cmp.Compare(a.Key.Test, b.Key.Test), a.EndedAt.Compare(b.EndedAt))
}

// reaches says whether a signal raised at t still belongs to the episode.
func (e *episode) reaches(t time.Time) bool {
	for _, s := range e.signals {
		switch {
		case s.Kind == analyze.Surprise:
			if !t.After(s.RaisedAt.Add(surpriseSpan)) {
				return true
			}
		case s.EndedAt.IsZero() || !t.After(s.EndedAt):
			return true
		}
	}
	return false
}

// ended is when the last signal was taken back; nil while one stands. A stored code ends with the tests of
// its family; with none of them in the episode, it stands.
func (e *episode) ended() *time.Time {
	var at time.Time
	for _, s := range e.signals {
		switch {
		case s.Kind == analyze.Surprise:
		case s.EndedAt.IsZero():
			return nil
		default:
			at = latest(at, s.EndedAt)
		}
	}
	return instant(at)
}

// kind is what the alert claims: a surprise stays one whatever its tests do later, since no warning came
// before it.
func (e *episode) kind() analyze.Kind {
	if e.signals[0].Kind == analyze.Surprise && worst(e.signals) != Reported {
		return analyze.Surprise
	}
	return worst(e.signals)
}

// worst is the gravest kind that stands, or the gravest there was when none does.
func worst(signals []analyze.Signal) analyze.Kind {
	standing := slices.DeleteFunc(slices.Clone(signals), func(s analyze.Signal) bool { return !s.EndedAt.IsZero() })
	if len(standing) == 0 {
		standing = signals
	}
	return slices.MaxFunc(standing, func(a, b analyze.Signal) int { return rank(a.Kind) - rank(b.Kind) }).Kind
}

// keys are the series of the episode in the order in which they raised.
func (e *episode) keys() []series.Key {
	var out []series.Key
	for _, s := range e.signals {
		if !slices.Contains(out, s.Key) {
			out = append(out, s.Key)
		}
	}
	return out
}

// explained is what explains every signal of the episode that stands, or every one of an episode that ended; nil where
// one is left.
func (e *episode) explained() *string {
	over := e.ended() != nil
	var words []string
	for _, s := range e.signals {
		switch {
		case !over && !s.EndedAt.IsZero():
		case s.Explained == "":
			return nil
		default:
			words = once(words, s.Explained)
		}
	}
	if len(words) == 0 {
		return nil
	}
	all := strings.Join(words, " ")
	return &all
}

func (e *episode) of(k series.Key) []analyze.Signal {
	return slices.DeleteFunc(slices.Clone(e.signals), func(s analyze.Signal) bool { return s.Key != k })
}
