package dashboards

import (
	"context"
	"errors"
	"fmt"
	"maps"
	"net/http"
	"slices"
	"strings"
	"time"

	"marginline/alerts"
	"marginline/analyze"
)

// Trials replays the fleet's own history under settings beside each other, apart from what is in force.
type Trials interface {
	Backtest(ctx context.Context, w analyze.Window, sets ...analyze.Settings) ([]*analyze.Trial, error)
}

// trialTime bounds a preview on the page; a longer one belongs on the command line.
const trialTime = 50 * time.Second

type settingsPage struct {
	Version  string
	Numbers  []settingRow
	Rules    []ruleRow
	Fleet    []fact // settings of the service that the pages show
	Set      string // the setting to try
	To       string // its value
	Days     int    // history that counts
	Fault    string
	Trial    []trialRow
	Worths   []worthRow
	Tried    bool      // the worths have the precision of a trial
	Currency string    // of the worths
	Names    [2]string // of the settings in force and of those tried
	Took     time.Duration
	CanTry   bool
}

type settingRow struct {
	analyze.Number
	Words string
}

type ruleRow struct {
	Family  string
	Confirm int
	Days    float64
	Gate    string
	Jump    string
}

// A worthRow is what a class of consequences costs and saves, and how often its alerts were right.
type worthRow struct{ Class, Wasted, Saved, BreakEven, Now, Then string }

// A trialRow is one figure under both settings.
type trialRow struct{ Name, Now, Then string }

// settings shows what is in force, and what another setting would have done on the fleet's own history.
func (s *Server) settings(w http.ResponseWriter, r *http.Request) error {
	set := analyze.DefaultSettings()
	p := settingsPage{Version: set.Version, Set: r.FormValue("set"), To: strings.TrimSpace(r.FormValue("to")), Days: 90, CanTry: s.deps.Trials != nil}
	for _, n := range set.Numbers() {
		p.Numbers = append(p.Numbers, settingRow{n, settingWords[n.Name]})
	}
	rule := func(name string, x analyze.Rule) {
		row := ruleRow{Family: name, Confirm: x.Confirm, Days: x.Span.Hours() / 24, Gate: "as usual", Jump: percent(x.Jump)}
		if x.Used > 0 {
			row.Gate = percent(x.Used)
		}
		p.Rules = append(p.Rules, row)
	}
	rule("every other family", set.Usual)
	for _, f := range slices.Sorted(maps.Keys(set.Families)) {
		rule(familyTitle(f), set.Families[f])
	}
	p.Fleet = []fact{
		{"A unit is silent after", hours(s.cfg.SilentAfter) + " without a report"},
		{"Not protected", "reports, but no new test result for " + hours(s.cfg.QuietAfter)},
	}
	p.Worths, p.Currency = s.worths(nil), s.deps.Currency
	status := http.StatusOK
	if p.Set != "" {
		if p.Fault = s.tryOut(r.Context(), set, &p); p.Fault != "" {
			status = http.StatusUnprocessableEntity
		}
	}
	return s.show(w, r, status, "settings", view{Title: "Settings", Nav: "settings", Body: p})
}

// tryOut replays history under the settings in force and the changed one, and returns what was wrong.
func (s *Server) tryOut(ctx context.Context, set analyze.Settings, p *settingsPage) string {
	if s.deps.Trials == nil {
		return "History cannot be replayed here."
	}
	changed, err := set.With([]string{p.Set + "=" + p.To})
	if err != nil {
		return "That value does not fit: " + err.Error() + "."
	}
	if !s.trial.TryLock() {
		return "Somebody else is trying settings right now. Try again in a minute."
	}
	defer s.trial.Unlock()
	ctx, cancel := context.WithTimeout(ctx, trialTime)
	defer cancel()
	start := time.Now()
	var window analyze.Window
	if s.deps.ClassOf != nil {
		window.Class = s.deps.ClassOf()
	}
	done, err := s.deps.Trials.Backtest(ctx, window, set, changed)
	switch {
	case errors.Is(err, context.DeadlineExceeded):
		return fmt.Sprintf("The history of this fleet is too long for the page: it took more than %s. Nothing was changed. Ask the command line: marginline backtest --set %s=%s", trialTime, p.Set, p.To)
	case err != nil:
		s.log.Error("preview of settings", "err", err)
		return "The history could not be replayed. Nothing was changed; the service's log has the reason."
	}
	p.Took = time.Since(start).Round(100 * time.Millisecond)
	a, b := done[0], done[1]
	p.Worths, p.Tried = s.worths(done), true
	p.Names = [2]string{a.Settings, b.Settings}
	figureOf := func(name string, of func(*analyze.Trial) string) {
		p.Trial = append(p.Trial, trialRow{name, of(a), of(b)})
	}
	share := func(x analyze.Range) string {
		return fmt.Sprintf("%s (%s to %s)", percent(x.Value), percent(x.Low), percent(x.High))
	}
	figureOf("Units with readings", func(t *analyze.Trial) string { return fmt.Sprint(t.Units) })
	figureOf("Vehicle-months", func(t *analyze.Trial) string { return figure(t.Months) })
	figureOf("Alerts raised", func(t *analyze.Trial) string { return fmt.Sprint(t.Alerts) })
	figureOf("of these too young to judge", func(t *analyze.Trial) string { return fmt.Sprint(t.Undecided) })
	figureOf("of these no code followed", func(t *analyze.Trial) string { return fmt.Sprint(t.Unfollowed) })
	figureOf("the same per 100 vehicle-months", func(t *analyze.Trial) string {
		x := t.UnfollowedRate()
		return fmt.Sprintf("%s (%s to %s)", figure(x.Value), figure(x.Low), figure(x.High))
	})
	figureOf("Codes that came", func(t *analyze.Trial) string { return fmt.Sprint(t.Codes) })
	figureOf("of these with an alert before", func(t *analyze.Trial) string { return fmt.Sprintf("%d, %s", t.Preceded, share(t.PrecededShare())) })
	figureOf("of these 14 days before or more", func(t *analyze.Trial) string { return fmt.Sprintf("%d, %s", t.Ahead(14), share(t.AheadShare(14))) })
	figureOf("Warning before the code, median", func(t *analyze.Trial) string { return figure(t.Lead(.5)) + " days" })
	return ""
}

// worths is a row a class, with how often alerts of it were right in two trials, where there are some.
func (s *Server) worths(trials []*analyze.Trial) (rows []worthRow) {
	for _, c := range [...]alerts.Consequence{alerts.Stop, alerts.RoadCall, alerts.Compliance, alerts.Cost, alerts.Note} {
		w, ok := s.deps.Worths[string(c)]
		if !ok {
			continue
		}
		row := worthRow{Class: classOf(c).Word, Wasted: figure(w.Wasted), Saved: figure(w.Saved), BreakEven: percent(w.BreakEven())}
		for i, t := range trials {
			text := "no alert to judge by"
			if k := t.Classes[string(c)]; k != nil && k.Followed+k.Unfollowed > 0 {
				p := k.Precision()
				text = fmt.Sprintf("%s (%s to %s) of %d: %s", percent(p.Value), percent(p.Low), percent(p.High), k.Followed+k.Unfollowed,
					map[string]string{"yes": "pays", "no": "does not pay", "open": "open"}[k.Pays(w)])
			}
			if i == 0 {
				row.Now = text
			} else {
				row.Then = text
			}
		}
		rows = append(rows, row)
	}
	return rows
}

func hours(d time.Duration) string {
	if d >= 48*time.Hour {
		return plural(int(d.Hours()/24), "day", "days")
	}
	return plural(int(d.Hours()), "hour", "hours")
}

// settingWords say in one line what a number does. Shares are of the healthy distance to the limit.
var settingWords = map[string]string{
	"learn_results": "fresh results before a healthy level is known", "min_results": "fresh results before anything is claimed",
	"learn_known": "the same where the engine family is known from its fleet", "min_known": "the same where the engine family is known from its fleet",
	"prior_spread": "expected healthy spread, a share", "prior_weight": "how strongly that is believed", "spread_floor": "smallest spread believed, a share",
	"ambient_prior": "expected effect of 12 °C of ambient temperature, a share",
	"threshold":     "score that may raise a drift; higher raises fewer and later",
	"gate_used":     "share that must be used up before a drift is claimed", "gate_ahead": "now or so many days on, where the slope is sure",
	"gate_slope": "a slope is sure from so many of its standard deviations", "gate_blind": "the share where no ambient temperature is read",
	"gate_spread": "or this many healthy spreads, where that is more", "gate_most": "a limit whose gate lies beyond this share is not watched",
	"fast_used": "share from which a fast drift may be claimed", "fast_spread": "and this many healthy spreads", "fast_age": "and since so many days",
	"fast_slope": "and with so clear a slope", "fast_days": "a fast drift reaches its limit within these days", "fast_chance": "with this chance",
	"floor_used": "share that a filter's floor must have risen by before its own results are claimed", "floor_spread": "and their level is so many healthy spreads up",
	"hold_share": "each confirming result must have used this share of the gate", "wild_results": "results far out that come and go within a month",
	"jump_in_row": "results in a row that make a jump", "jump_spread": "healthy spreads that a jump is away",
	"steep_least": "a steep rise: three results in a row from this share", "steep_far": "the last two from this share", "steep_spread": "this many healthy spreads away",
	"steep_score": "with this score", "steep_most": "one of them from this share",
	"near_used": "share that a near limit has used up", "near_spread": "and this many healthy spreads", "near_days": "a near limit is reached within these days", "near_chance": "with this chance",
	"low_margin": "margin below which a series is sick from the start", "good_margin": "margin above which it is well again",
	"good_share": "results below this share of the gate are healthy", "good_in_row": "so many healthy results take a claim back",
	"idle_days": "days with reports and no new result until a test no longer runs", "idle_runs": "and so many results missed at its own rate",
	"count_gate": "average of counted events that a claim needs", "count_confirm": "results that must stay at half of it",
	"slope_prior": "how fast a drift is expected to be", "date_scale": "how wide date ranges are drawn", "slope_drift": "how much a slope may change from day to day",
	"moving_within": "results within which limits that change follow the operating point",
}
