package main

import (
	"fmt"
	"net/http"
	"net/url"
	"strconv"
	"time"

	"github.com/spf13/cobra"

	"marginline/analyze"
)

func backtestCommand() *cobra.Command {
	var from, until string
	var set []string
	var horizon int
	cmd := &cobra.Command{
		Use:   "backtest [--from TIME] [--until TIME] [--set NAME=NUMBER]...",
		Short: "replay history with other settings",
		Long: `Replays the readings of the whole roster from the lake and says what the shipped settings would have
raised, and beside them the settings changed with --set: alerts, how many of them no code followed, and
how many of the codes that came had an alert before them, how early. Nothing is changed.

History does not tell which alert was needless: a unit repaired in time sets no code. "unfollowed" is an
upper bound of the needless alerts. Rates and shares come with 95 % intervals in low and high.`,
		Example: `  marginline backtest --from 2026-03-01 --set threshold=12
  marginline backtest --set gate_used=0.4 --set fast_used=0.4 -o csv`,
		Args: cobra.NoArgs,
	}
	dataFlag(cmd)
	form := outputFlag(cmd)
	cmd.Flags().StringVar(&from, "from", "", "count alerts and codes from this time on (default: all history)")
	cmd.Flags().StringVar(&until, "until", "", "read history up to this time alone (default: all)")
	cmd.Flags().StringArrayVar(&set, "set", nil, "change one setting, as name=number; may come several times")
	cmd.Flags().IntVar(&horizon, "horizon", 90, "days before a code in which an alert counts as its warning")
	cmd.RunE = func(cmd *cobra.Command, _ []string) error {
		if err := checkOutput(*form); err != nil {
			return err
		}
		if horizon < 1 || horizon > 3650 {
			return fmt.Errorf("--horizon %d: want 1 to 3650 days", horizon)
		}
		if _, err := analyze.DefaultSettings().With(set); err != nil {
			return fmt.Errorf("--set: %w", err)
		}
		q := url.Values{"form": {*form}, "horizon": {strconv.Itoa(horizon)}, "set": set}
		for name, text := range map[string]string{"from": from, "until": until} {
			if text == "" {
				continue
			}
			t, err := parseTime(text)
			if err != nil {
				return fmt.Errorf("--%s: %w", name, err)
			}
			q.Set(name, t.Format(time.RFC3339Nano))
		}
		return send(cmd, "GET", "/backtest", q, cmd.OutOrStdout())
	}
	return cmd
}

// backtest answers with one row for the settings in use and one for the changed ones.
func (a *app) backtest(w http.ResponseWriter, r *http.Request) error {
	q := r.URL.Query()
	var from, until time.Time
	for name, t := range map[string]*time.Time{"from": &from, "until": &until} {
		if text := q.Get(name); text != "" {
			var err error
			if *t, err = parseTime(text); err != nil {
				return fmt.Errorf("%s: %w", name, err)
			}
		}
	}
	if !until.IsZero() && !from.Before(until) {
		return fmt.Errorf("from %s is not before until %s", from.Format(time.RFC3339), until.Format(time.RFC3339))
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
	l := &listing{columns: []string{"settings", "units", "vehicle_months", "alerts", "undecided", "unfollowed",
		"unfollowed_per_100_vehicle_months", "unfollowed_low", "unfollowed_high",
		"codes", "preceded", "preceded_share", "preceded_low", "preceded_high",
		"lead_median_d", "lead_p10_d", "ahead_14d_share", "ahead_14d_low", "ahead_14d_high", "ahead_30d_share", "ahead_30d_low", "ahead_30d_high"}}
	for _, s := range trials {
		t, err := a.watch.runner.Backtest(r.Context(), s, from, until, time.Duration(days)*24*time.Hour)
		if err != nil {
			return err
		}
		rate, share, two, four := t.UnfollowedRate(), t.PrecededShare(), t.AheadShare(14), t.AheadShare(30)
		l.add(t.Settings, t.Units, t.Months, t.Alerts, t.Undecided, t.Unfollowed, rate.Value, rate.Low, rate.High,
			t.Codes, t.Preceded, share.Value, share.Low, share.High, t.Lead(.5), t.Lead(.1),
			two.Value, two.Low, two.High, four.Value, four.Low, four.High)
	}
	if form := q.Get("form"); form != "table" {
		return l.print(w, form)
	}
	return sideBySide(l).print(w, "table")
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
				v = strconv.FormatFloat(f, 'f', 2, 64)
			}
			line = append(line, v)
		}
		out.add(line...)
	}
	return out
}
