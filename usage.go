package main

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"strings"

	"github.com/spf13/cobra"
)

// sayUse makes every command below cmd name itself and what it takes when its arguments are wrong.
func sayUse(cmd *cobra.Command) {
	for _, c := range cmd.Commands() {
		sayUse(c)
		if check := c.Args; check != nil && !c.HasSubCommands() {
			c.Args = func(c *cobra.Command, args []string) error {
				if check(c, args) == nil {
					return nil
				}
				given := "no argument was given"
				if len(args) > 0 {
					given = fmt.Sprintf("these arguments were given: %q", strings.Join(args, " "))
				}
				return fmt.Errorf("%s; the command is: %s", given, c.UseLine())
			}
		}
	}
}

// founders are the commands that may begin a data folder; serve and demo do as well. Every other one reads or changes
// what is there, and an empty answer from a folder that was mistyped would be a lie.
var founders = map[string]bool{
	"import": true, "enroll": true, "people add": true, "shop import": true, "shop file": true, "shop add": true,
}

// mustHold refuses a folder that holds nothing of ours, unless cmd may begin one.
func mustHold(cmd *cobra.Command, data string) error {
	if founders[strings.TrimPrefix(cmd.CommandPath(), cmd.Root().Name()+" ")] {
		return nil
	}
	switch f, err := formatOf(data); {
	case err != nil, f.Format > 0:
		return nil // what is wrong with it is said where it is opened
	}
	if _, err := os.Stat(filepath.Join(data, "lock")); !errors.Is(err, fs.ErrNotExist) {
		return nil // a service is just beginning it
	}
	return fmt.Errorf("data folder %s holds nothing of marginline and was left alone; name the right one with --data, or begin one with 'marginline serve' or 'marginline import'", data)
}
