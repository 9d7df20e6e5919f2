package main

import (
	"errors"
	"fmt"
	"net/url"
	"os/user"
	"strings"
	"time"

	"github.com/spf13/cobra"
)

func alertsCommand() *cobra.Command {
	cmd := group("alerts", "the alert book", `  marginline alerts list
  marginline alerts show a-7KQ2M4
  marginline alerts explain a-7KQ2M4 --reason "filled up on the hot evening before"`)
	cmd.AddCommand(alertsList(),
		fetchCommand("show ID", "one alert with its history", "  marginline alerts show a-7KQ2M4", "/alerts/"),
		alertsDecide("ack", "take note of an alert", false),
		alertsDecide("explain", "say what else explains an alert", true),
		alertsDecide("mute", "silence an alert until a date", true))
	return cmd
}

func alertsList() *cobra.Command {
	cmd := fetchCommand("list", "open alerts, the most urgent first",
		"  marginline alerts list -o json\n  marginline alerts list --all --as-of 2026-04-01T00:00:00Z", "/alerts")
	cmd.Flags().Bool("all", false, "every alert, not only the open ones")
	cmd.Flags().String("as-of", "", "the book from readings up to this time alone (RFC 3339)")
	return cmd
}

func alertsDecide(verb, short string, reasonNeeded bool) *cobra.Command {
	var reason, until, by string
	cmd := &cobra.Command{Use: verb + " ID", Short: short, Args: cobra.ExactArgs(1),
		Example: "  marginline alerts " + verb + ` a-7KQ2M4 --reason "seen with the driver"`}
	dataFlag(cmd)
	cmd.Flags().StringVar(&reason, "reason", "", "why, kept with the alert")
	cmd.Flags().StringVar(&by, "by", "", "who decides (default: your user name)")
	if verb == "mute" {
		cmd.Flags().StringVar(&until, "until", "", "end date: a mute ends by itself")
		cmd.Example += " --until 2026-12-24"
	}
	cmd.RunE = func(cmd *cobra.Command, args []string) error {
		if reasonNeeded && strings.TrimSpace(reason) == "" {
			return errors.New("alerts " + verb + ": --reason is needed")
		}
		q := url.Values{"reason": {reason}, "by": {orUser(by)}}
		if verb == "mute" {
			t, err := parseTime(until)
			if err != nil {
				return fmt.Errorf("--until: %w", err)
			}
			q.Set("until", t.Format(time.RFC3339))
		}
		return send(cmd, "POST", "/alerts/"+url.PathEscape(args[0])+"/"+verb, q, cmd.ErrOrStderr())
	}
	return cmd
}

func orUser(by string) string {
	if by != "" {
		return by
	}
	if u, err := user.Current(); err == nil && u.Username != "" {
		return u.Username
	}
	return "command line"
}

// parseTime reads a time of the command line: RFC 3339, or a date for its first instant in UTC.
func parseTime(s string) (time.Time, error) {
	if t, err := time.Parse(time.RFC3339Nano, s); err == nil {
		return t.UTC(), nil
	}
	if t, err := time.Parse(time.DateOnly, s); err == nil {
		return t, nil
	}
	return time.Time{}, fmt.Errorf("%q is neither a date (2026-04-01) nor a time (2026-04-01T06:00:00Z)", s)
}
