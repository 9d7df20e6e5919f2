package main

import (
	"bytes"
	"errors"
	"fmt"
	"math"
	"net/http"
	"net/url"
	"strconv"
	"time"

	"github.com/spf13/cobra"
	"github.com/spf13/pflag"

	"marginline/alerts/knowledge"
	"marginline/analyze"
)

func backtestCommand() *cobra.Command {
	var from, until string
	var set []string
	var horizon int
	var needless float64
	var byClass bool
	cmd := &cobra.Command{
		Use:   "backtest [--from TIME] [--to TIME] [--set NAME=NUMBER]...",
		Short: "replay history with other settings",
		Long: `Replays the readings of the whole roster from the lake and says what the shipped settings would have
raised, and beside them the settings changed with --set: alerts, how many of them no code followed, and
how many of the codes that came had an alert before them, how early. Nothing is changed.

History does not tell which alert was needless: a unit repaired in time sets no code. "unfollowed" is an
upper bound of the needless alerts. Rates and shares come with 95 % intervals in low and high. Each column of
the table names its settings; a changed one is the shipped version and what was changed.

With --needless the threshold is set for at most so many needless visits a week, by what this fleet's series send;
it stands beside the shipped one. With --by-class the answer is by class of consequence: how many alerts
were right at least, and whether that pays. What a wasted visit costs and a right one saves are your own figures,
cost.wasted and cost.saved_road_call and its siblings in the configuration; the defaults are assumptions.`,
		Example: `  marginline backtest --from 2026-03-01 --set threshold=12
  marginline backtest --set gate_used=0.4 --set fast_used=0.4 -o parquet > trial.parquet`,
		Args: cobra.NoArgs,
	}
	dataFlag(cmd)
	form := cmd.Flags().StringP("output", "o", "table", "table, json, csv or parquet")
	cmd.Flags().StringVar(&from, "from", "", "count alerts and codes from this time on (default: all history)")
	cmd.Flags().StringVar(&until, "to", "", "read history up to this time alone (default: all)")
	cmd.Flags().SetNormalizeFunc(func(_ *pflag.FlagSet, name string) pflag.NormalizedName {
		if name == "until" {
			name = "to" // both are said
		}
		return pflag.NormalizedName(name)
	})
	cmd.Flags().StringArrayVar(&set, "set", nil, "change one setting, as name=number; may come several times")
	cmd.Flags().IntVar(&horizon, "horizon", 90, "days before a code in which an alert counts as its warning")
	cmd.Flags().Float64Var(&needless, "needless", 0, "set the threshold for at most so many needless visits a week")
	cmd.Flags().BoolVar(&byClass, "by-class", false, "by class of consequence, against break-even")
	cmd.RunE = func(cmd *cobra.Command, _ []string) error {
		if err := checkOutput(*form); err != nil && *form != "parquet" {
			return &misuse{fmt.Errorf("-o %q: want table, json, csv or parquet", *form)}
		}
		if *form == "parquet" && isTerminal(cmd.OutOrStdout()) {
			return &misuse{errors.New("-o parquet writes a file: send it somewhere, as in > trial.parquet")}
		}
		if horizon < 1 || horizon > 3650 {
			return fmt.Errorf("--horizon %d: want 1 to 3650 days", horizon)
		}
		if _, err := analyze.DefaultSettings().With(set); err != nil {
			return fmt.Errorf("--set: %w", err)
		}
		if needless < 0 || needless > 1e6 || needless != needless {
			return fmt.Errorf("--needless %g: want a number of visits a week above 0", needless)
		}
		q := url.Values{"needless": {strconv.FormatFloat(needless, 'g', -1, 64)}, "by-class": {strconv.FormatBool(byClass)}, "form": {*form}, "horizon": {strconv.Itoa(horizon)}, "set": set}
		for name, text := range map[string]string{"from": from, "to": until} {
			if text == "" {
				continue
			}
			t, err := parseTime(text)
			if err != nil {
				return fmt.Errorf("--%s: %w", name, err)
			}
			q.Set(name, t.Format(time.RFC3339Nano))
		}
		bar := newProgress(cmd.ErrOrStderr(), "backtest", progressParts)
		ctx, whole := withProgress(cmd.Context(), bar), cmd.Context()
		cmd.SetContext(ctx)
		defer cmd.SetContext(whole)
		var answer bytes.Buffer
		err := send(cmd, "GET", "/backtest", q, &answer)
		bar.end()
		if err != nil {
			return err
		}
		_, err = answer.WriteTo(cmd.OutOrStdout())
		return err
	}
	return cmd
}

// backtest answers with one row for the settings in use and one for the changed ones.
func (a *app) backtest(w http.ResponseWriter, r *http.Request) error {
	q := r.URL.Query()
	var from, until time.Time
	for name, t := range map[string]*time.Time{"from": &from, "to": &until} {
		if text := q.Get(name); text != "" {
			var err error
			if *t, err = parseTime(text); err != nil {
				return fmt.Errorf("%s: %w", name, err)
			}
		}
	}
	if !until.IsZero() && !from.Before(until) {
		return fmt.Errorf("from %s is not before %s", from.Format(time.RFC3339), until.Format(time.RFC3339))
	}
	days, err := strconv.Atoi(q.Get("horizon"))
	if err != nil {
		return fmt.Errorf("horizon: %w", err)
	}
	trials := []analyze.Settings{analyze.DefaultSettings()}
	if changes := q["set"]; len(changes) > 0 {
		changed, err := trials[0].With(changes)
		if err != nil {
			return err
		}
		trials = append(trials, changed)
	}
	if err := a.watch.ready(r.Context()); err != nil {
		return err
	}
	if visits, err := strconv.ParseFloat(q.Get("needless"), 64); err == nil && visits > 0 {
		_, results := a.watch.runner.Pace(r.Context())
		held, err := trials[len(trials)-1].With([]string{"threshold=" + strconv.FormatFloat(analyze.ThresholdFor(results, visits), 'f', 2, 64)})
		if err != nil {
			return err
		}
		trials = append(trials, held)
	}
	l := &listing{columns: []string{"settings", "parameters", "units", "vehicle_months", "alerts", "undecided", "unfollowed",
		"unfollowed_per_100_vehicle_months", "unfollowed_low", "unfollowed_high",
		"codes", "preceded", "preceded_share", "preceded_low", "preceded_high",
		"lead_median_d", "lead_p10_d", "ahead_14d", "ahead_14d_share", "ahead_14d_low", "ahead_14d_high",
		"ahead_30d", "ahead_30d_share", "ahead_30d_low", "ahead_30d_high", "from", "to", "horizon_d"}}
	window := analyze.Window{From: from, Until: until, Horizon: time.Duration(days) * 24 * time.Hour, Class: a.classOf(), Progress: tellProgress(w)}
	done, err := a.watch.runner.Backtest(r.Context(), window, trials...)
	if err != nil {
		return err
	}
	if q.Get("by-class") == "true" {
		return classes(done, a.cfg.worths(), a.cfg.Cost.Currency).print(w, q.Get("form"))
	}
	for _, t := range done {
		rate, share, two, four := t.UnfollowedRate(), t.PrecededShare(), t.AheadShare(14), t.AheadShare(30)
		l.add(t.Settings, t.Parameters, t.Units, t.Months, t.Alerts, t.Undecided, t.Unfollowed, rate.Value, rate.Low, rate.High,
			t.Codes, t.Preceded, share.Value, share.Low, share.High, t.Lead(.5), t.Lead(.1),
			t.Ahead(14), two.Value, two.Low, two.High, t.Ahead(30), four.Value, four.Low, four.High, from, until, days)
	}
	if form := q.Get("form"); form != "table" {
		return l.print(w, form)
	}
	return sideBySide(l).print(w, "table")
}

// classOf gives the consequence class of a family of monitors on a unit, as the alert book does without dates.
func (a *app) classOf() func(unit, family string) string {
	roster, base := a.watch.roster(), knowledge.Builtin()
	return func(unit, family string) string {
		fuel, weight := "", ""
		if u := roster.Unit(unit); u != nil {
			fuel, weight = u.Fuel, u.WeightClass
		}
		return string(base.For(family, "").ClassFor(fuel, weight))
	}
}

// classes is one row a class and settings, with what visits cost and save in this fleet.
func classes(trials []*analyze.Trial, worths map[string]analyze.Worth, currency string) *listing {
	l := &listing{columns: []string{"class", "settings", "alerts", "followed", "unfollowed", "undecided",
		"precision", "precision_low", "precision_high", "currency", "wasted", "saved", "break_even", "pays"}}
	for _, class := range []string{"stop", "road_call", "compliance", "cost", "note"} {
		for _, t := range trials {
			c := t.Classes[class]
			if c == nil {
				continue
			}
			p, worth := c.Precision(), worths[class]
			l.add(class, t.Settings, c.Alerts, c.Followed, c.Unfollowed, c.Undecided, p.Value, p.Low, p.High,
				currency, worth.Wasted, worth.Saved, worth.BreakEven(), c.Pays(worth))
		}
	}
	return l
}

// sideBySide turns a listing on its side: a line a figure, a column a row.
func sideBySide(l *listing) *listing {
	out := &listing{columns: []string{l.columns[0]}}
	for _, row := range l.rows {
		out.columns = append(out.columns, cell(row[0]))
	}
	for i, name := range l.columns[1:] {
		line := []any{name}
		for _, row := range l.rows {
			v := row[i+1]
			if f, ok := v.(float64); ok {
				if v = ""; !math.IsNaN(f) && !math.IsInf(f, 0) {
					v = strconv.FormatFloat(f, 'f', 2, 64)
				}
			}
			line = append(line, v)
		}
		out.add(line...)
	}
	return out
}
