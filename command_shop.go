package main

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net/url"
	"os"
	"strings"

	"github.com/spf13/cobra"

	"marginline/alerts/api"
	"marginline/alerts/shop"
)

func shopCommand() *cobra.Command {
	cmd := group("shop", "facts from the shop floor, and what each depot can take",
		"  marginline shop import services.csv\n  marginline shop add report 217 --symptom fuel_smell --text \"at the filler\"\n  marginline shop file depots.yaml")
	list := fetchCommand("list", "facts in force, the newest first", "  marginline shop list --unit 217", "/shop/facts")
	list.Flags().String("unit", "", "only this unit")
	cmd.AddCommand(shopImport(), shopAdd(), list, shopRetract(), shopFileCommand())
	return cmd
}

func shopImport() *cobra.Command {
	var by string
	cmd := &cobra.Command{Use: "import FILE...", Short: "facts from CSV files; '-' is stdin", Args: cobra.MinimumNArgs(1),
		Long: "Takes facts from CSV files with a header of these columns, in any order:\n  " + strings.Join(shop.Columns, ", ") +
			"\nkind is one of: service, repair, clear, reflash, dongle, part, report. The same file again changes nothing.",
		Example: "  marginline shop import services.csv repairs.csv"}
	dataFlag(cmd)
	cmd.Flags().StringVar(&by, "by", "", "who, for rows that name nobody (default: your user name)")
	cmd.RunE = withClient(func(ctx context.Context, cmd *cobra.Command, c *client, args []string) error {
		for _, name := range args {
			in := io.NopCloser(cmd.InOrStdin())
			if name != "-" {
				f, err := os.Open(name)
				if err != nil {
					return err
				}
				in = f
			}
			r, err := c.do(ctx, "POST", "/shop/facts/import", url.Values{"by": {orUser(by)}}, in)
			in.Close()
			if err != nil {
				return fmt.Errorf("%s: %w", name, err)
			}
			var t api.Imported
			err = json.NewDecoder(r).Decode(&t)
			r.Close()
			if err != nil {
				return fmt.Errorf("%s: %w", name, err)
			}
			for _, e := range t.Errors {
				fmt.Fprintf(cmd.ErrOrStderr(), "%s: %s\n", name, e)
			}
			fmt.Fprintf(cmd.ErrOrStderr(), "%s: %d facts taken, %d were known, %d rows left out\n", name, t.Added, t.Known, len(t.Errors))
		}
		return nil
	})
	return cmd
}

func shopAdd() *cobra.Command {
	cmd := &cobra.Command{Use: "add KIND [UNIT]", Short: "one fact: service, repair, clear, reflash, dongle, part or report", Args: cobra.RangeArgs(1, 2),
		Example: "  marginline shop add service 217 --level A --odometer_km 48211\n  marginline shop add report 217 --symptom flashing_lamp"}
	dataFlag(cmd)
	for _, c := range shop.Columns[2:] {
		cmd.Flags().String(c, "", map[string]string{"date": "when (default: now)", "by": "who did or noticed it (default: your user name)",
			"symptom": strings.Join(shop.Symptoms, ", ")}[c])
	}
	cmd.RunE = func(cmd *cobra.Command, args []string) error {
		q := url.Values{"kind": {args[0]}}
		if len(args) == 2 {
			q.Set("unit", args[1])
		}
		for _, c := range shop.Columns[2:] {
			if v, _ := cmd.Flags().GetString(c); v != "" {
				q.Set(c, v)
			}
		}
		q.Set("by", orUser(q.Get("by")))
		return send(cmd, "POST", "/shop/facts", q, cmd.OutOrStdout())
	}
	return cmd
}

func shopRetract() *cobra.Command {
	var by, reason string
	cmd := &cobra.Command{Use: "retract ID", Short: "take back a fact that was wrong", Args: cobra.ExactArgs(1),
		Example: "  marginline shop retract f-7KQ2M4 --reason \"it was unit 218\""}
	dataFlag(cmd)
	cmd.Flags().StringVar(&by, "by", "", "who (default: your user name)")
	cmd.Flags().StringVar(&reason, "reason", "", "why, kept with the fact")
	cmd.RunE = func(cmd *cobra.Command, args []string) error {
		if strings.TrimSpace(reason) == "" {
			return errors.New("shop retract: --reason is needed")
		}
		return send(cmd, "POST", "/shop/facts/"+url.PathEscape(args[0])+"/retract", url.Values{"by": {orUser(by)}, "reason": {reason}}, cmd.ErrOrStderr())
	}
	return cmd
}

const shopFileExample = `depots:
  - name: Alder Yard
    time_zone: America/Denver
    bays: [{name: "1", kinds: [lift, vapour_safe]}, {name: "2"}]
    open: {mon: 8, tue: 8, wed: 8, thu: 8, fri: 8}   # hours
    technicians:
      - {name: Wes, skills: [evap, diesel]}
      - {name: Marisol, skills: [evap], hours: {mon: 6, tue: 6}, away: [2026-06-01]}
    closed: [2026-05-28]
    promised: {2026-05-26: 3}    # technician hours of other work
    early_window: 0.10           # of its interval a PM service may come early
    keep_free: 0.15              # of the hours, for breakdowns
    lead_days: 1                 # notice that a visit needs
    service_hours: 2             # of a PM service
`

func shopFileCommand() *cobra.Command {
	var by string
	cmd := &cobra.Command{Use: "file [FILE]", Short: "print the shop file in force, or put another in force", Args: cobra.MaximumNArgs(1),
		Long:    "The shop file says what each depot can take. Every version is kept. An example:\n\n" + shopFileExample,
		Example: "  marginline shop file > depots.yaml\n  marginline shop file depots.yaml"}
	dataFlag(cmd)
	cmd.Flags().StringVar(&by, "by", "", "who (default: your user name)")
	cmd.RunE = withClient(func(ctx context.Context, cmd *cobra.Command, c *client, args []string) error {
		method, to, in := "GET", cmd.OutOrStdout(), io.Reader(nil)
		if len(args) == 1 {
			f, err := os.Open(args[0])
			if err != nil {
				return err
			}
			defer f.Close()
			method, to, in = "POST", cmd.ErrOrStderr(), f
		}
		r, err := c.do(ctx, method, "/shop/file", url.Values{"by": {orUser(by)}}, in)
		if err != nil {
			return err
		}
		defer r.Close()
		_, err = io.Copy(to, r)
		return err
	})
	return cmd
}
