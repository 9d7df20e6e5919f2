// Command marginline stores the on-board test results of a fleet as columnar data, follows every
// vehicle's margin to its limits, and calls a unit in for inspection before it sets a fault code.
//
// This package is the command line and the wiring, nothing else: main.go runs a command, app.go opens
// the stages in order and closes them in order, control.go lets a command talk to the service that owns
// a data folder, and each command_*.go is one command.
package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"os/signal"
	"syscall"

	"github.com/spf13/cobra"

	query "marginline/sql"
)

// version is set by the linker (-X main.version=...).
var version = "dev"

func main() {
	if len(os.Args) == 2 && os.Args[1] == query.WorkerCommand { // before anything is opened: it locks itself in
		os.Exit(query.Worker(os.Stdin, os.Stdout))
	}
	if os.Getenv("GOGC") == "" {
		paceCollector()
	}
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt, syscall.SIGTERM)
	code := run(ctx, os.Args[1:], os.Stdin, os.Stdout, os.Stderr)
	stop()
	os.Exit(code)
}

// Exit codes, as every command uses them.
const (
	exitOK     = 0
	exitFailed = 1
	exitUsage  = 2
)

// run executes one command line and returns its exit code: 0 ok, 1 failed, 2 wrong use. Data goes to
// stdout, messages to stderr.
func run(ctx context.Context, args []string, stdin io.Reader, stdout, stderr io.Writer) int {
	root := rootCommand()
	root.SetArgs(args)
	root.SetIn(stdin)
	root.SetOut(stdout)
	root.SetErr(stderr)
	cmd, err := root.ExecuteContextC(ctx)
	var failed *failure
	switch {
	case err == nil:
		return exitOK
	case errors.As(err, &failed):
		if !failed.quiet {
			fmt.Fprintln(stderr, "marginline:", failed.err)
		}
		return exitFailed
	default:
		fmt.Fprintln(stderr, "marginline:", err)
		fmt.Fprintf(stderr, "See '%s --help'.\n", cmd.CommandPath())
		return exitUsage
	}
}

// A failure is an error of the work itself; every other error a command returns is wrong use.
type failure struct {
	err   error
	quiet bool // already said on stderr
}

func (f *failure) Error() string { return f.err.Error() }
func (f *failure) Unwrap() error { return f.err }

// works marks what a command does as work, so that its errors are failures and not wrong use.
func works(do func(cmd *cobra.Command, args []string) error) func(*cobra.Command, []string) error {
	return func(cmd *cobra.Command, args []string) error {
		err := do(cmd, args)
		var f *failure
		var u *misuse
		if err == nil || errors.As(err, &f) || errors.As(err, &u) {
			return err
		}
		return &failure{err: err}
	}
}

// A misuse is wrong use that only the command itself can see.
type misuse struct{ err error }

func (m *misuse) Error() string { return m.err.Error() }

func rootCommand() *cobra.Command {
	root := &cobra.Command{
		Use:   "marginline",
		Short: "watch every vehicle's on-board test results and call units in before they set a fault",
		Long: `marginline reads the on-board test results that dongles in fleet vehicles publish, keeps them as
columnar data, follows each result's margin to its limit, and alerts a unit for shop inspection
before it sets a fault code.

Defer to the vehicle maker's service information, local codes and licensed practice. marginline
orders the thinking; it does not replace specifications or safety instructions.`,
		Version:       version,
		SilenceErrors: true,
		SilenceUsage:  true,
		Args:          cobra.NoArgs,
		RunE:          func(cmd *cobra.Command, _ []string) error { return cmd.Help() },
	}
	root.CompletionOptions.HiddenDefaultCmd = true
	root.AddCommand(
		demoCommand(), serveCommand(), importCommand(), simulateCommand(), decodeCommand(), sqlCommand(),
		alertsCommand(), ordersCommand(), planCommand(), deliveriesCommand(), shopCommand(), seriesCommand(), quarantineCommand(), peopleCommand(), lakeCommand(), enrollCommand(), backupCommand(), restoreCommand(), checkCommand(), backtestCommand(),
	)
	sayUse(root)
	return root
}
