package main

import (
	"context"
	"io"
	"net/url"
	"os"

	"github.com/spf13/cobra"
)

func planCommand() *cobra.Command {
	cmd := group("plan", "when each unit should come in, and why",
		"  marginline plan show --depot \"Alder Yard\" --days 14\n  marginline plan accept a-7KQ2M4\n  marginline plan show --what-if friday.yaml")
	cmd.AddCommand(planShow(), planAccept())
	return cmd
}

func planShow() *cobra.Command {
	var days, depot, whatIf string
	cmd := &cobra.Command{Use: "show", Short: "the plan with its reasons and clashes", Args: cobra.NoArgs,
		Long:    "Makes the plan from open alerts, work orders, PM services, the shop file and what people decided. The same state gives the same plan.\n--what-if plans with another shop file and changes nothing.",
		Example: "  marginline plan show -o json"}
	dataFlag(cmd)
	form := outputFlag(cmd)
	cmd.Flags().StringVar(&days, "days", "", "how far to plan (default 84)")
	cmd.Flags().StringVar(&depot, "depot", "", "only this depot")
	cmd.Flags().StringVar(&whatIf, "what-if", "", "plan with this shop file instead")
	cmd.RunE = func(cmd *cobra.Command, args []string) error {
		if err := checkOutput(*form); err != nil {
			return err
		}
		return withClient(func(ctx context.Context, cmd *cobra.Command, c *client, _ []string) error {
			method, in := "GET", io.Reader(nil)
			if whatIf != "" {
				f, err := os.Open(whatIf)
				if err != nil {
					return err
				}
				defer f.Close()
				method, in = "POST", f
			}
			r, err := c.do(ctx, method, "/plan", url.Values{"form": {*form}, "days": {days}, "depot": {depot}}, in)
			if err != nil {
				return err
			}
			defer r.Close()
			_, err = io.Copy(cmd.OutOrStdout(), r)
			return err
		})(cmd, args)
	}
	return cmd
}

func planAccept() *cobra.Command {
	var by string
	cmd := &cobra.Command{Use: "accept JOB", Short: "take the proposal for a job: makes its work order and fixes the day", Args: cobra.ExactArgs(1),
		Example: "  marginline plan accept a-7KQ2M4"}
	dataFlag(cmd)
	cmd.Flags().StringVar(&by, "by", "", "who (default: your user name)")
	cmd.RunE = func(cmd *cobra.Command, args []string) error {
		return send(cmd, "POST", "/plan/"+url.PathEscape(args[0]), url.Values{"by": {orUser(by)}}, cmd.OutOrStdout())
	}
	return cmd
}
