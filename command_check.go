package main

import (
	"fmt"
	"os"

	"github.com/spf13/cobra"
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
