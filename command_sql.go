package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"net/url"
	"slices"
	"strings"

	"github.com/spf13/cobra"

	query "marginline/sql"
)

func sqlCommand() *cobra.Command {
	cmd := &cobra.Command{
		Use:   "sql [QUERY]",
		Short: "query the history",
		Long: `Answers one SQL query over the history: readings, reports, codes, series, drift, alerts, work_orders, units.
Reads the query from standard input when there is none on the command line. Read-only: one query sees
one snapshot of the lake, and says on standard error which. The query runs in a process of its own that can
read nothing but the lake; two run at a time, others wait for their turn.`,
		Example: `  marginline sql --dictionary
  marginline sql "select * from arrival(days := 14)"
  marginline sql --as-of 2026-03-01T06:00:00Z --param unit=1017 "select test, min(margin) from readings where unit = $unit group by 1"
  marginline sql -o parquet "from readings where test = 'm21.t89'" > m21.parquet
  marginline sql "select unit, test, min(margin) from readings where state = 'ok' group by all order by 3 limit 10"
  marginline sql -o csv < query.sql`,
		Args: cobra.MaximumNArgs(1),
	}
	dataFlag(cmd)
	form := cmd.Flags().StringP("output", "o", "table", strings.Join(query.Forms, ", "))
	asOf := cmd.Flags().String("as-of", "", "a state of the past: a time, a day, or the number of a snapshot")
	params := cmd.Flags().StringArray("param", nil, "NAME=VALUE for $NAME in the query; may be given again")
	dict := cmd.Flags().Bool("dictionary", false, "print every view, macro and column with its meaning; no data is read")
	cmd.RunE = func(cmd *cobra.Command, args []string) error {
		if !slices.Contains(query.Forms, *form) {
			return &misuse{fmt.Errorf("-o %q: want one of %s", *form, strings.Join(query.Forms, ", "))}
		}
		if *dict {
			return printDictionary(cmd.OutOrStdout(), *form)
		}
		if *asOf != "" {
			if _, err := query.ParseAsOf(*asOf); err != nil {
				return &misuse{fmt.Errorf("--as-of: %w", err)}
			}
		}
		var text string
		if len(args) == 1 && args[0] != "-" {
			text = args[0]
		} else {
			b, err := io.ReadAll(io.LimitReader(cmd.InOrStdin(), 1<<20))
			if err != nil {
				return &failure{err: err}
			}
			text = string(b)
		}
		if strings.TrimSpace(text) == "" {
			return errors.New("sql: no query: give one as an argument or on standard input")
		}
		return withClient(func(ctx context.Context, cmd *cobra.Command, c *client, _ []string) error {
			r, err := c.do(ctx, "POST", "/sql", url.Values{"form": {*form}, "as-of": {*asOf}, "param": *params}, strings.NewReader(text))
			if err != nil {
				return err
			}
			defer r.Close()
			if _, err := io.Copy(cmd.OutOrStdout(), r); err != nil {
				return fmt.Errorf("the answer broke off: %w", err)
			}
			return nil
		})(cmd, args)
	}
	return cmd
}

// printDictionary lists the columns of every view and macro.
func printDictionary(w io.Writer, form string) error {
	l := listing{columns: []string{"table", "column", "type", "meaning", "unit", "null", "since"}}
	for _, v := range append(query.Views(), query.Macros()...) {
		l.add(v.Call(), "", v.Kind(), v.Meaning, "", "", v.Since)
		for _, p := range v.Params {
			l.add(v.Name, "parameter "+p.Name, p.Type, p.Meaning, "", p.Default, v.Since)
		}
		for _, c := range v.Columns {
			l.add(v.Name, c.Name, c.Type, c.Meaning, c.Unit, c.NullRule, c.Since)
		}
	}
	if form != "json" && form != "csv" && form != "table" {
		return &misuse{fmt.Errorf("-o %q: the dictionary is printed as table, json or csv", form)}
	}
	return l.print(w, form)
}
