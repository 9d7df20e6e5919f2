package main

import (
	"context"
	"fmt"
	"io"
	"net/url"
	"strings"
	"time"

	"github.com/spf13/cobra"
	"github.com/spf13/pflag"
)

// group is a command that only holds others.
func group(use, short, example string) *cobra.Command {
	return &cobra.Command{Use: use, Short: short, Example: example, Args: cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error { return cmd.Help() }}
}

// fetchCommand prints what the owner of the data folder answers at path. A path that ends in a slash is
// completed by the command's one argument. Flags of its own become parameters of the same name.
func fetchCommand(use, short, example, path string) *cobra.Command {
	cmd := &cobra.Command{Use: use, Short: short, Example: example, Args: cobra.NoArgs}
	if strings.HasSuffix(path, "/") {
		cmd.Args = cobra.ExactArgs(1)
	}
	dataFlag(cmd)
	form := outputFlag(cmd)
	cmd.RunE = func(cmd *cobra.Command, args []string) error {
		if err := checkOutput(*form); err != nil {
			return err
		}
		q := url.Values{"form": {*form}}
		var bad error
		cmd.Flags().Visit(func(f *pflag.Flag) {
			switch f.Name {
			case "data", "config", "output":
				return
			case "as-of":
				t, err := parseTime(f.Value.String())
				if err != nil {
					bad = fmt.Errorf("--as-of: %w", err)
				}
				q.Set(f.Name, t.Format(time.RFC3339Nano))
			default:
				q.Set(f.Name, f.Value.String())
			}
		})
		if bad != nil {
			return bad
		}
		p := path
		if len(args) == 1 {
			p += escapePath(args[0])
		}
		return send(cmd, "GET", p, q, cmd.OutOrStdout())
	}
	return cmd
}

// escapePath escapes every part of a name such as unit/ecu/test.
func escapePath(name string) string {
	parts := strings.Split(name, "/")
	for i, p := range parts {
		parts[i] = url.PathEscape(p)
	}
	return strings.Join(parts, "/")
}

// send makes one request and copies the answer to w.
func send(cmd *cobra.Command, method, path string, q url.Values, w io.Writer) error {
	return withClient(func(ctx context.Context, cmd *cobra.Command, c *client, _ []string) error {
		r, err := c.do(ctx, method, path, q, nil)
		if err != nil {
			return err
		}
		defer r.Close()
		if _, err := io.Copy(w, r); err != nil {
			return fmt.Errorf("the answer broke off: %w", err)
		}
		return nil
	})(cmd, nil)
}

func seriesCommand() *cobra.Command {
	cmd := group("series", "detector state and margin trends",
		"  marginline series list --unit V104\n  marginline series show V104/7e8/m21.t89")
	list := fetchCommand("list", "the state of every series", "  marginline series list --unit V104 -o csv", "/series")
	list.Flags().String("unit", "", "only this unit")
	show := fetchCommand("show UNIT/ECU/TEST", "the margin trend of one series", "  marginline series show V104/7e8/m21.t89", "/series/")
	common := fetchCommand("common", "what the series of a cohort did together: weather, fuel, a mistake of ours", "  marginline series common", "/common")
	cmd.AddCommand(list, show, common)
	return cmd
}
