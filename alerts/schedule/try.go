package schedule

import (
	"cmp"
	"fmt"
	"slices"

	"marginline/alerts/shop"
)

// A Trial is what becomes of a plan if a person chooses a day for a job or a service. Nothing is decided by it.
type Trial struct {
	ID      string   `json:"id"`
	Unit    string   `json:"unit"`
	Depot   string   `json:"depot"`
	Visit   *Visit   `json:"visit"` // as it would be; nil where the day has no room
	Clash   *Clash   `json:"clash"` // why there is no room, and which visits would have to move
	Was     *Visit   `json:"was"`   // in the plan as it is; nil where it had no day
	Moves   []Moved  `json:"moves"`
	Clashes []Clash  `json:"clashes"` // of others, that the plan as it is does not have
	Load    *Load    `json:"load"`    // of that day
	Day     shop.Day `json:"day"`
}

// Moved is a visit of another unit that the plan would propose for another day; a nil day is none.
type Moved struct {
	Unit string    `json:"unit"`
	Job  string    `json:"job"`
	From *shop.Day `json:"from"`
	To   *shop.Day `json:"to"`
}

// Try makes the plan with the choice and compares it with the plan as it is. An id that the input does not have is
// an error.
func Try(in Input, choice Fixed) (*Trial, error) {
	t := &Trial{ID: choice.ID, Moves: []Moved{}, Clashes: []Clash{}, Day: choice.Day}
	switch i, k := slices.IndexFunc(in.Jobs, func(j Job) bool { return j.ID == choice.ID }), slices.IndexFunc(in.Services, func(s Service) bool { return s.ID == choice.ID }); {
	case i >= 0:
		t.Unit, t.Depot = in.Jobs[i].Unit, in.Jobs[i].Depot
	case k >= 0:
		t.Unit, t.Depot = in.Services[k].Unit, in.Services[k].Depot
	default:
		return nil, fmt.Errorf("%w: nothing to plan is called %q", ErrInput, choice.ID)
	}
	before, err := Make(in)
	if err != nil {
		return nil, err
	}
	mine := func(v Visit) bool { return v.Job == choice.ID || v.Service == choice.ID }
	if t.Was = find(before.Visits, mine); t.Was != nil && t.Was.Job == choice.ID {
		choice.Service = cmp.Or(choice.Service, t.Was.Service) // a service that it goes along with moves too
	}
	in.Fixed = append(slices.DeleteFunc(slices.Clone(in.Fixed), func(f Fixed) bool { return f.ID == choice.ID }), choice)
	after, err := Make(in)
	if err != nil {
		return nil, err
	}
	t.Visit = find(after.Visits, mine)
	t.Load = find(after.Loads, func(l Load) bool { return l.Depot == t.Depot && l.Day == choice.Day })
	t.Clash = find(after.Clashes, func(c Clash) bool { return c.ID == choice.ID })
	for _, c := range after.Clashes {
		if c.ID != choice.ID && !slices.ContainsFunc(before.Clashes, func(b Clash) bool { return b.ID == c.ID }) {
			t.Clashes = append(t.Clashes, c)
		}
	}
	t.Moves = moves(before.Visits, after.Visits, t.Unit)
	return t, nil
}

func find[T any](list []T, is func(T) bool) *T {
	if i := slices.IndexFunc(list, is); i >= 0 {
		return &list[i]
	}
	return nil
}

// moves are the visits whose day differs, but those of the unit, in the order of their first day.
func moves(before, after []Visit, but string) []Moved {
	name := func(v Visit) string { return cmp.Or(v.Job, v.Service) }
	day := func(list []Visit, id string) *shop.Day {
		if v := find(list, func(v Visit) bool { return v.Job == id || v.Service == id }); v != nil {
			return &v.Day
		}
		return nil
	}
	out, seen := []Moved{}, map[string]bool{}
	for _, v := range slices.Concat(before, after) {
		id := name(v)
		if v.Unit == but || seen[id] {
			continue
		}
		seen[id] = true
		m := Moved{v.Unit, v.Job, day(before, id), day(after, id)}
		if m.From == nil || m.To == nil || *m.From != *m.To {
			out = append(out, m)
		}
	}
	return out
}
