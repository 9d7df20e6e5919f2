package analyze

import (
	"cmp"
	"context"
	"encoding/hex"
	"fmt"
	"hash/fnv"
	"maps"
	"slices"
	"time"

	"marginline/ingest/fleet"
)

// surveyMost is how many units of an engine family are surveyed at most: a cohort of so many needs no more.
const surveyMost = 1500

// dailyMost is up to how many units a fleet is fitted at each day's end, in the readings' time; larger ones at each week's.
const dailyMost = 1000

// Fit surveys the fleet's history up to a time (zero: all of it) and fits the cohorts. Nothing is changed.
func (r *Runner) Fit(ctx context.Context, until time.Time) (*Parameters, error) {
	other := NewRunner(r.history, r.roster, r.monitors, r.set, r.log)
	other.surveying, other.happenings = true, r.happenings
	var surveys []*survey
	last := int64(0)
	err := other.refold(ctx, chosen(other.choose(other.roster(), nil)), folding{until: until}, func(v *Vehicle) error {
		surveys = append(surveys, v.survey)
		last = max(last, v.last)
		return nil
	})
	if err != nil {
		return nil, fmt.Errorf("fit cohorts: %w", err)
	}
	// The order of sums must not depend on which unit was read first.
	slices.SortFunc(surveys, func(a, b *survey) int { return cmp.Compare(a.unit, b.unit) })
	return fit(surveys, last+1, &r.set), nil
}

// chosen are the units that are surveyed: all of an engine family, or those that a hash of their name picks.
func chosen(units []*fleet.Unit) []*fleet.Unit {
	families := map[string][]*fleet.Unit{}
	for _, u := range units {
		families[u.EngineFamily] = append(families[u.EngineFamily], u)
	}
	pick := func(u *fleet.Unit) uint64 {
		h := fnv.New64a()
		h.Write([]byte(u.Unit))
		return h.Sum64()
	}
	var list []*fleet.Unit
	for _, f := range families {
		slices.SortFunc(f, func(a, b *fleet.Unit) int { return cmp.Or(cmp.Compare(pick(a), pick(b)), cmp.Compare(a.Unit, b.Unit)) })
		list = append(list, f[:min(len(f), surveyMost)]...)
	}
	slices.SortFunc(list, func(a, b *fleet.Unit) int { return cmp.Compare(a.Unit, b.Unit) })
	return list
}

// Movements are what the series of a cohort did together, by time.
func (r *Runner) Movements() []Movement {
	if p := r.params.Load(); p != nil {
		return slices.Clone(p.movements)
	}
	return nil
}

// Stale says whether readings came late for days whose parameters were fitted before: Rebuild takes them in.
func (r *Runner) Stale() bool {
	r.mu.RLock()
	defer r.mu.RUnlock()
	return r.stale
}

// due says whether a day, of a large fleet a week, has ended since the last fit. The caller holds mu.
func (r *Runner) due() bool {
	p := r.params.Load()
	if len(r.units.units) < leastSeries {
		return false
	}
	if p == nil || len(r.units.units) > dailyMost {
		return p == nil || weekOf(r.newest) > p.week0+int64(len(p.versions))
	}
	return dayOf(r.newest) > p.fitted
}

// refit fits the cohorts anew and folds every unit again where that changes anything. The caller holds fold.
func (r *Runner) refit(ctx context.Context) error {
	r.mu.Lock()
	r.stale = false
	old := r.params.Load()
	r.mu.Unlock()
	p, err := r.Fit(ctx, time.Time{})
	if err != nil {
		return err
	}
	r.params.Store(p)
	if p.extends(old) {
		r.mu.Lock()
		defer r.mu.Unlock()
		for _, p := range r.units.units {
			if p.v != nil { // the others take them when they wake
				p.v.params = r.params.Load()
			}
		}
		return nil
	}
	return r.refold(ctx, r.choose(r.roster(), nil), folding{trace: r.begin}, r.keep)
}

// extends says whether p says of every time what old says, so that no state changes.
func (p *Parameters) extends(old *Parameters) bool {
	if old == nil {
		return len(p.versions) == 0 && len(p.movements) == 0
	}
	if !slices.Equal(p.versions, old.versions) || p.week0 != old.week0 || p.day0 != old.day0 {
		return false
	}
	said := func(c *parting, i int) (float64, bool) {
		if c == nil || len(c.centre) == 0 {
			return 0, false
		}
		i = min(i, len(c.centre)-1)
		return c.centre[i], c.units[i] >= centreLeast
	}
	for k, c := range p.cohorts {
		o := old.cohorts[k]
		for i := range c.centre {
			a, any := said(c, i)
			b, had := said(o, i)
			if (any || had) && a != b {
				return false
			}
		}
	}
	return true
}

// Fitted is a digest of the parameters in force: the same digest, the same state from the same readings.
func (r *Runner) Fitted() string {
	p := r.params.Load()
	if p == nil {
		p = &Parameters{}
	}
	return p.digest()
}

func (p *Parameters) digest() string {
	p.once.Do(func() {
		d := newDigester()
		keys := slices.SortedFunc(maps.Keys(p.cohorts), func(a, b CohortKey) int {
			return cmp.Or(cmp.Compare(a.EngineFamily, b.EngineFamily), cmp.Compare(a.CalID, b.CalID), cmp.Compare(a.ECU, b.ECU), cmp.Compare(a.Test, b.Test))
		})
		for _, k := range keys {
			c := p.cohorts[k]
			for i, w := range c.weeks {
				if w != nil {
					d.ints(p.week0 + int64(i))
					w.digest(d)
				}
			}
			for i, n := range c.units {
				if n >= centreLeast { // else nothing is made of it
					d.strings(k.EngineFamily, k.CalID, k.ECU, k.Test)
					d.ints(p.day0 + int64(i))
					d.floats(c.centre[i])
				}
			}
		}
		sum := d.sum()
		p.sum = hex.EncodeToString(sum[:8])
	})
	return p.sum
}
