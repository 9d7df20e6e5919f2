package sql

import (
	"fmt"
	"os"
	"strconv"

	"github.com/landlock-lsm/go-landlock/landlock"
	ll "github.com/landlock-lsm/go-landlock/landlock/syscall"
	"golang.org/x/sys/unix"
)

func landlockVersion() int {
	v, err := ll.LandlockGetABIVersion()
	if err != nil {
		return 0
	}
	return v
}

// lockIn confines this process for good: it may read the lake, use its own temp folder, and nothing else
// of the file system; no TCP, and with newer kernels no UDP, no signals and no sockets to others. It runs
// at the lowest priority and is the first to go when memory runs out.
func lockIn(s settings) (string, error) {
	if err := os.WriteFile("/proc/self/oom_score_adj", []byte("1000"), 0); err != nil {
		return "", fmt.Errorf("sql: worker: %w", err)
	}
	if err := unix.Setrlimit(unix.RLIMIT_CORE, &unix.Rlimit{}); err != nil {
		return "", fmt.Errorf("sql: worker: no core dumps: %w", err)
	}
	if err := unix.Prctl(unix.PR_SET_DUMPABLE, 0, 0, 0, 0); err != nil {
		return "", fmt.Errorf("sql: worker: %w", err)
	}
	if err := stepBack(); err != nil {
		return "", fmt.Errorf("sql: worker: lowest priority: %w", err)
	}
	words, ok := Fence()
	if !ok {
		if s.Fence == FencePreferred {
			return words, nil
		}
		return "", noFence
	}
	// Best effort takes what the kernel has from version 1 on; that it has version 1 was just seen.
	rules := []landlock.Rule{landlock.RWDirs(s.Temp)}
	if s.Lake != "" {
		rules = append(rules, landlock.RODirs(s.Lake))
	}
	if err := landlock.V11.BestEffort().Restrict(rules...); err != nil {
		return "", fmt.Errorf("sql: worker: landlock: %w", err)
	}
	return words, nil
}

// stepBack gives every thread the lowest priority for the processor and the disk; threads to come inherit
// it. Linux keeps both by thread, so those that are there are asked for until no new one turns up.
func stepBack() error {
	const ioprioSet, whoProcess, idleClass = unix.SYS_IOPRIO_SET, 1, 3 << 13
	done := map[int]bool{}
	for more := true; more; {
		more = false
		tasks, err := os.ReadDir("/proc/self/task")
		if err != nil {
			return err
		}
		for _, t := range tasks {
			id, err := strconv.Atoi(t.Name())
			if err != nil || done[id] {
				continue
			}
			done[id], more = true, true
			if err := unix.Setpriority(unix.PRIO_PROCESS, id, 19); err != nil && err != unix.ESRCH {
				return err
			}
			// Not every kernel and container lets this be set; the processor's priority is what counts.
			_, _, _ = unix.Syscall(ioprioSet, whoProcess, uintptr(id), idleClass)
		}
	}
	return nil
}

// memoryOf is the bytes of memory that a process has for itself.
func memoryOf(pid int) (int64, error) {
	b, err := os.ReadFile("/proc/" + strconv.Itoa(pid) + "/statm")
	if err != nil {
		return 0, err
	}
	var size, resident, shared int64
	if _, err := fmt.Sscan(string(b), &size, &resident, &shared); err != nil {
		return 0, err
	}
	return (resident - shared) * int64(os.Getpagesize()), nil
}
