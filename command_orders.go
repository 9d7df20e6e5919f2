package main

import (
	"net/url"

	"github.com/spf13/cobra"
)

func ordersCommand() *cobra.Command {
	cmd := group("orders", "work orders",
		"  marginline orders list\n  marginline orders open a-7KQ2M4\n  marginline orders print w-7KQ2M4")
	var by string
	open := &cobra.Command{Use: "open ALERT", Short: "open a work order for an alert's unit", Args: cobra.ExactArgs(1),
		Example: "  marginline orders open a-7KQ2M4"}
	dataFlag(open)
	open.Flags().StringVar(&by, "by", "", "who opens it (default: your user name)")
	open.RunE = func(cmd *cobra.Command, args []string) error {
		return send(cmd, "POST", "/orders", url.Values{"alert": {args[0]}, "by": {orUser(by)}}, cmd.OutOrStdout())
	}
	cmd.AddCommand(open,
		fetchCommand("list", "work orders, the earliest due first", "  marginline orders list -o csv", "/orders"),
		fetchCommand("show ID", "one work order as data", "  marginline orders show w-7KQ2M4", "/orders/"),
		fetchCommand("print ID", "the sheet for the shop, safety first", "  marginline orders print w-7KQ2M4", "/sheets/"))
	return cmd
}
