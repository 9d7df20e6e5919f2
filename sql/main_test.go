package sql_test

import (
	"os"
	"testing"

	"go.uber.org/goleak"

	"marginline/sql"
)

// bareWorker starts a worker that judges nothing.
const bareWorker = "sql-worker-bare"

// The test binary is its own worker, as the program is.
func TestMain(m *testing.M) {
	if len(os.Args) == 2 && os.Args[1] == sql.WorkerCommand {
		os.Exit(sql.Worker(os.Stdin, os.Stdout))
	}
	if len(os.Args) == 2 && os.Args[1] == bareWorker {
		sql.SetBare()
		os.Exit(sql.Worker(os.Stdin, os.Stdout))
	}
	goleak.VerifyTestMain(m)
}
