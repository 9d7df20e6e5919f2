package sql

import "fmt"

// A Policy says what is wanted of the kernel before analysts' SQL may run.
type Policy string

const (
	// FenceRequired: no query runs unless the kernel confines the worker (Landlock).
	FenceRequired Policy = "required"
	// FencePreferred: where the kernel cannot confine the worker, queries run in it all the same, behind the
	// judged statement, the locked configuration and the limits alone.
	FencePreferred Policy = "preferred"
)

// Fence says in words how this kernel confines a worker; ok is false where it cannot.
func Fence() (words string, ok bool) {
	if abi := landlockVersion(); abi > 0 {
		return fmt.Sprintf("Landlock, version %d", abi), true
	}
	return "none: this kernel has no Landlock, or it is switched off", false
}

// noFence is why a query is refused where the fence that is wanted is missing.
var noFence = &Error{
	Kind:    KindClosed,
	Message: "SQL is closed: this kernel cannot confine the process that would run it (no Landlock)",
	Hint:    "use Linux 5.13 or newer with Landlock, or accept the weaker fence with sql.fence: preferred",
}
