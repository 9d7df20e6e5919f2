package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"net/url"
	"strings"

	"github.com/spf13/cobra"
)

func sqlCommand() *cobra.Command {
	cmd := &cobra.Command{
		Use:   "sql [QUERY]",
		Short: "query the history",
		Long: `Answers one SQL query over the history: readings, reports, codes, series, drift, alerts, work_orders, units.
Reads the query from standard input when there is none on the command line. Read-only: one query sees
one snapshot.`,
		Example: `  marginline sql "select unit, test, min(margin) from readings where state = 'ok' group by all order by 3 limit 10"
  marginline sql -o csv < query.sql`,
		Args: cobra.MaximumNArgs(1),
	}
	dataFlag(cmd)
	form := outputFlag(cmd)
	cmd.RunE = func(cmd *cobra.Command, args []string) error {
		if err := checkOutput(*form); err != nil {
			return err
		}
		var query string
		if len(args) == 1 && args[0] != "-" {
			query = args[0]
		} else {
			b, err := io.ReadAll(io.LimitReader(cmd.InOrStdin(), 1<<20))
			if err != nil {
				return &failure{err: err}
			}
			query = string(b)
		}
		if strings.TrimSpace(query) == "" {
			return errors.New("sql: no query: give one as an argument or on standard input")
		}
		return withClient(func(ctx context.Context, cmd *cobra.Command, c *client, _ []string) error {
			r, err := c.do(ctx, "POST", "/sql", url.Values{"form": {*form}}, strings.NewReader(query))
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
