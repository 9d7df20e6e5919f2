package main

import (
	"fmt"
	"os"

	"github.com/spf13/cobra"

	"marginline/ingest/lake"
)

func checkCommand() *cobra.Command {
	cmd := group("check", "check a configuration or a report before it is used",
		"  marginline check config marginline.yaml\n  marginline check report report.json")
	conf := &cobra.Command{Use: "config [FILE]", Short: "read a configuration, say what is wrong, and exit", Args: cobra.MaximumNArgs(1),
		Example: "  marginline check config marginline.yaml"}
	conf.RunE = works(func(cmd *cobra.Command, args []string) error {
		path := ""
		if len(args) == 1 {
			path = args[0]
		}
		if _, err := loadConfig(path, os.Environ(), nil); err != nil {
			return err
		}
		fmt.Fprintln(cmd.ErrOrStderr(), "the configuration is good")
		return nil
	})
	cmd.AddCommand(conf, checkReportCommand())
	return cmd
}

func lakeCommand() *cobra.Command {
	cmd := group("lake", "the stored history", "  marginline lake verify")
	verify := &cobra.Command{Use: "verify", Short: "prove that every committed file is there, reads, and has its rows", Args: cobra.NoArgs,
		Example: "  marginline lake verify"}
	dataFlag(verify)
	verify.RunE = works(func(cmd *cobra.Command, _ []string) error {
		cfg, err := configOf(cmd)
		if err != nil {
			return err
		}
		// Reads committed snapshots only, so it needs neither the lock nor the service.
		problems, sum, err := lake.Verify(cmd.Context(), lakeDir(cfg))
		if err != nil {
			return err
		}
		for _, p := range problems {
			fmt.Fprintln(cmd.ErrOrStderr(), p)
		}
		fmt.Fprintln(cmd.OutOrStdout(), sum)
		if len(problems) > 0 {
			return fmt.Errorf("lake verify: %d problems", len(problems))
		}
		return nil
	})
	cmd.AddCommand(verify)
	for _, c := range []string{"compact", "expire", "export"} {
		cmd.AddCommand(&cobra.Command{Use: c, Hidden: true, DisableFlagParsing: true,
			RunE: works(func(cmd *cobra.Command, _ []string) error {
				return fmt.Errorf("lake %s is not there yet in this version: nothing was done", cmd.Name())
			})})
	}
	return cmd
}
