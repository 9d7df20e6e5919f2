package main

import (
	"net/url"

	"github.com/spf13/cobra"
)

func deliveriesCommand() *cobra.Command {
	cmd := group("deliveries", "where alerts are sent, and what became of it", "  marginline deliveries receivers\n  marginline deliveries list\n  marginline deliveries test webhook")
	var by string
	test := &cobra.Command{Use: "test RECEIVER", Short: "send a test message to a receiver, once, and say what came of it", Args: cobra.ExactArgs(1),
		Long:    "Sends a test message to one receiver by its name, such as webhook, nats, calendar, files or \"mail desk@fleet.example\"; 'deliveries receivers' lists them.\nNothing happens to any alert. Exit status 1 when it did not arrive.",
		Example: "  marginline deliveries test webhook\n  marginline deliveries test \"mail desk@fleet.example\""}
	dataFlag(test)
	test.Flags().StringVar(&by, "by", "", "who (default: your user name)")
	test.RunE = func(cmd *cobra.Command, args []string) error {
		return send(cmd, "POST", "/deliveries/test", url.Values{"to": {args[0]}, "by": {orUser(by)}}, cmd.OutOrStdout())
	}
	cmd.AddCommand(fetchCommand("list", "the newest events and what became of them", "  marginline deliveries list", "/deliveries"),
		fetchCommand("receivers", "everyone that events go to", "  marginline deliveries receivers", "/receivers"), test)
	return cmd
}
