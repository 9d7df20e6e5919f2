package main

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"io"
	"net/url"
	"strconv"
	"strings"

	"github.com/spf13/cobra"
)

func peopleCommand() *cobra.Command {
	cmd := group("people", "who may sign in, with which role, and what they changed",
		"  marginline people add odalys --role administrator\n  marginline people add bay2 --role shop --depot \"Harbor Road\"\n  marginline people key odalys --label scraper --role viewer")
	cmd.Long = `Lists who may sign in. While nobody is listed, nobody has to sign in and the service listens on this machine
only. The first who is listed must be an administrator; from then on everybody has to sign in.

Roles: viewer sees every page; analyst also asks in SQL; shop sees its own depots' orders and writes what was
found; manager decides about alerts, orders and the plan; administrator also looks after people.`
	list := fetchCommand("list", "everybody who is listed", "  marginline people list -o json", "/people")
	changes := fetchCommand("changes", "what was changed, when and by whom, the newest first", "  marginline people changes --max 50", "/people/changes")
	changes.Flags().Int("max", 1000, "at most this many")
	keys := fetchCommand("keys", "API keys", "  marginline people keys --of odalys", "/people/keys")
	keys.Flags().String("of", "", "only this person's")
	cmd.AddCommand(addPersonCommand(), list, roleCommand(), standingCommand("disable", "end a person's sign-in, sessions and keys"), standingCommand("enable", "let a disabled person sign in again"),
		passwordCommand(), keyCommand(), revokeCommand(), keys, changes)
	return cmd
}

// fromStdin is the first line of stdin where the flag is set.
func fromStdin(cmd *cobra.Command, set bool) (string, error) {
	if !set {
		return "", nil
	}
	line, err := bufio.NewReader(io.LimitReader(cmd.InOrStdin(), 4096)).ReadString('\n')
	if err != nil && !errors.Is(err, io.EOF) {
		return "", err
	}
	if line = strings.TrimRight(line, "\r\n"); line == "" {
		return "", &misuse{errors.New("--password-stdin: the first line of stdin is empty")}
	}
	return line, nil
}

// sendSecret posts a body and prints the answer.
func sendSecret(cmd *cobra.Command, path string, q url.Values, body string) error {
	return withClient(func(ctx context.Context, cmd *cobra.Command, c *client, _ []string) error {
		r, err := c.do(ctx, "POST", path, q, strings.NewReader(body))
		if err != nil {
			return err
		}
		defer r.Close()
		n, err := io.Copy(cmd.OutOrStdout(), r)
		if n > 0 {
			fmt.Fprintln(cmd.ErrOrStderr(), "It is shown this once; what is stored cannot be turned back into it.")
		}
		return err
	})(cmd, nil)
}

func addPersonCommand() *cobra.Command {
	cmd := &cobra.Command{Use: "add NAME --role ROLE", Short: "list a person; a password is made, shown once, and has to be changed", Args: cobra.ExactArgs(1),
		Example: "  marginline people add odalys --role administrator\n  marginline people add bay2 --role shop --depot \"Harbor Road\" --depot North"}
	dataFlag(cmd)
	role := cmd.Flags().String("role", "", "viewer, analyst, shop, manager or administrator")
	full := cmd.Flags().String("full", "", "the name as people write it")
	depots := cmd.Flags().StringArray("depot", nil, "a depot of a shop; may be given more than once")
	stdin := cmd.Flags().Bool("password-stdin", false, "take the password from the first line of stdin instead of making one")
	_ = cmd.MarkFlagRequired("role")
	cmd.RunE = func(cmd *cobra.Command, args []string) error {
		password, err := fromStdin(cmd, *stdin)
		if err != nil {
			return err
		}
		return sendSecret(cmd, "/people", url.Values{"name": {args[0]}, "full": {*full}, "role": {*role}, "depot": *depots}, password)
	}
	return cmd
}

func roleCommand() *cobra.Command {
	cmd := &cobra.Command{Use: "role NAME ROLE", Short: "give a person another role; their sessions end", Args: cobra.ExactArgs(2),
		Example: "  marginline people role bay2 shop --depot North"}
	dataFlag(cmd)
	depots := cmd.Flags().StringArray("depot", nil, "a depot of a shop; may be given more than once")
	cmd.RunE = func(cmd *cobra.Command, args []string) error {
		return send(cmd, "POST", "/people/"+url.PathEscape(args[0])+"/role", url.Values{"role": {args[1]}, "depot": *depots}, cmd.OutOrStdout())
	}
	return cmd
}

func standingCommand(verb, short string) *cobra.Command {
	cmd := &cobra.Command{Use: verb + " NAME", Short: short, Args: cobra.ExactArgs(1), Example: "  marginline people " + verb + " bay2"}
	dataFlag(cmd)
	cmd.RunE = func(cmd *cobra.Command, args []string) error {
		return send(cmd, "POST", "/people/"+url.PathEscape(args[0])+"/"+verb, nil, cmd.OutOrStdout())
	}
	return cmd
}

func passwordCommand() *cobra.Command {
	cmd := &cobra.Command{Use: "password NAME", Short: "make a new password, shown once; it has to be changed", Args: cobra.ExactArgs(1),
		Example: "  marginline people password bay2"}
	dataFlag(cmd)
	stdin := cmd.Flags().Bool("password-stdin", false, "take the password from the first line of stdin instead of making one")
	cmd.RunE = func(cmd *cobra.Command, args []string) error {
		password, err := fromStdin(cmd, *stdin)
		if err != nil {
			return err
		}
		return sendSecret(cmd, "/people/"+url.PathEscape(args[0])+"/password", nil, password)
	}
	return cmd
}

func keyCommand() *cobra.Command {
	cmd := &cobra.Command{Use: "key NAME --label WHAT --role ROLE", Short: "make an API key of a person, shown once", Args: cobra.ExactArgs(1),
		Long:    "Makes an API key. A program shows it as a bearer token to the API, the SQL pages and /metrics, or as the password of Flight SQL. It has no more abilities than its owner, and never administers. It opens nothing while its owner has a password that was given to them and has to be changed.",
		Example: "  marginline people key odalys --label scraper --role viewer --days 90"}
	dataFlag(cmd)
	label := cmd.Flags().String("label", "", "what it is for")
	role := cmd.Flags().String("role", "viewer", "viewer, analyst, shop or manager")
	days := cmd.Flags().Int("days", 90, "days until it ends, at most 366")
	_ = cmd.MarkFlagRequired("label")
	cmd.RunE = func(cmd *cobra.Command, args []string) error {
		return sendSecret(cmd, "/people/"+url.PathEscape(args[0])+"/keys/new", url.Values{"label": {*label}, "role": {*role}, "days": {strconv.Itoa(*days)}}, "")
	}
	return cmd
}

func revokeCommand() *cobra.Command {
	cmd := &cobra.Command{Use: "revoke KEY", Short: "end an API key by its id, as 'people keys' lists it", Args: cobra.ExactArgs(1), Example: "  marginline people revoke k3t7zq2m5a"}
	dataFlag(cmd)
	cmd.RunE = func(cmd *cobra.Command, args []string) error {
		return send(cmd, "POST", "/people/keys/"+url.PathEscape(args[0])+"/revoke", nil, cmd.OutOrStdout())
	}
	return cmd
}
