package main

import (
	"fmt"
	"net/http"
	"strconv"
	"time"
)

func (a *app) compactLake(w http.ResponseWriter, r *http.Request) error {
	done, err := a.lake.Compact(r.Context(), true)
	if err != nil {
		return fmt.Errorf("%w; %d groups of files were merged into %d before", err, done.Groups, done.Into)
	}
	if err := a.note(r.Context(), "lake compacted", "lake", fmt.Sprintf("%d files merged into %d", done.Groups, done.Into)); err != nil {
		return err
	}
	l := listing{columns: []string{"merges", "groups", "into", "rows", "bytes_before", "bytes_after", "seconds", "longest_hold_seconds"}}
	l.add(done.Merges, done.Groups, done.Into, done.Rows, done.Before, done.After, done.Took.Seconds(), done.LongestPublish.Seconds())
	return l.print(w, r.FormValue("form"))
}

func (a *app) expireLake(w http.ResponseWriter, r *http.Request) error {
	keep, age, grace := a.cfg.Lake.Snapshots, a.cfg.Lake.SnapshotAge, a.cfg.Lake.Grace
	var err error
	if v := r.FormValue("keep"); v != "" {
		if keep, err = strconv.Atoi(v); err != nil || keep < 1 {
			return fmt.Errorf("--keep: %q: at least 1", v)
		}
	}
	for name, to := range map[string]*time.Duration{"older-than": &age, "grace": &grace} {
		if v := r.FormValue(name); v != "" {
			if *to, err = time.ParseDuration(v); err != nil || *to < 0 {
				return fmt.Errorf("--%s: %q is not a duration such as 24h", name, v)
			}
		}
	}
	if grace < minGrace {
		return fmt.Errorf("--grace: %v: at least %v, the time that a query or a copy may take", grace, minGrace)
	}
	limits, err := a.cfg.limits()
	if err != nil {
		return err
	}
	old, err := a.lake.Retain(r.Context(), limits)
	if err != nil {
		return err
	}
	dropped, err := a.lake.Expire(r.Context(), keep, age)
	if err != nil {
		return err
	}
	swept, err := a.lake.Sweep(r.Context(), grace)
	if err != nil {
		return err
	}
	if err := a.note(r.Context(), "lake expired", "lake", fmt.Sprintf("%d states, %d rows by age, %d files", dropped, old.Rows, swept.Files)); err != nil {
		return err
	}
	l := listing{columns: []string{"snapshots_dropped", "rows_removed_by_age", "files_deleted", "bytes_deleted", "files_waiting", "bytes_waiting"}}
	l.add(dropped, old.Rows, swept.Files, swept.Bytes, swept.Waiting, swept.WaitingBytes)
	return l.print(w, r.FormValue("form"))
}
