// Command soak runs the service under a steady load of live reports and says whether what it uses stays flat:
// resident memory, goroutines, open files, and the lake's files and metadata.
//
//	go build -o bin/soak ./deploy/soak && bin/soak -for 1h -rate 50
//
// It starts the binary's own `serve` on an empty data folder, with a commit every two seconds and the shortest
// waits of upkeep that the service allows, gives it the roster of an invented fleet, and publishes that fleet's
// reports over NATS at the rate asked for, repeats and late ones included. Every report is acknowledged by the
// broker before the next of that dongle goes out. Every ten seconds it reads /metrics, /proc and the lake's folder.
// At the end it stops feeding, waits until everything published is committed, asks for the number of stored
// reports, ends the service by SIGTERM, runs `lake verify`, prints a table and exits with 1 when something is not
// flat, not stored or not sound.
//
// The reports are those of the fleet's last weeks, so the detector sees a fleet's natural history at many times
// its pace: a day of a thousand units passes in 100 s at 20 reports a second, and at its end the cohorts are fitted and the
// whole fleet is folded again, which makes the peaks of memory. The fleet is two months old when the feed begins (feed.go): a
// new one has no stored codes, and a table that is committed to more and more often is no steady load. Processor
// time is shown and not judged: a late report folds its unit's whole history again, and the machine may be shared.
//
// # What must be flat, and what not
//
// Rows grow: they are what the lake is for. So do their bytes, and the stream, which keeps reports by age. None of
// them is judged. Of files and metadata there are two parts, which grow for different reasons:
//
//   - What the committed state consists of: live data files, the manifests that list them, and the newest metadata.json of
//     each table. Compaction leaves at most 7 groups of one size (a factor of eight) for each month (then year) and
//     cell of vehicles, at most 7 that hold several months, and full ones; to these come what was flushed since its last look.
//     Their number goes up and down as the digits of a number do that counts commits to the base of 8. So live files may grow with the months and
//     full files that the history has, and not with commits. A live data file costs 1.5 KB of
//     manifest in readings, 0.9 KB in reports; a manifest has 6 to 8 KB of its own, and fewer than 100 of a table are not full. The newest
//     metadata.json names at most 50 snapshots and 100 versions: it has an upper end, whatever is committed. Versions before
//     those 100 are deleted as the next is published, without waiting.
//   - What nothing live refers to and has not been deleted yet: older versions and their lists and manifests, data files
//     that were replaced, what is condemned. Its files live for a set time, so there are as many as versions
//     of the tables were published in that time. How many are published follows from the load and from how fast the machine is
//     at the moment: a table is committed to only where it has new rows. So these are judged a version, over the versions
//     of the last half hour (of the time below in general), which is longer than such a file lives. A file that is never deleted,
//     or a version that costs more the more there were before it, makes this grow; a busier half hour does not.
//
// Resident memory follows the peaks of the collector. A day of the fleet ends every 100 s here, and then the history so far is
// folded and its drift merged; the longer it is, the longer memory stays at its peak. The live heap, which the table shows, tells that from
// a leak: in heap profiles after 18,000 and 35,000 reports it was 73 and 84 MB, and of the difference 3 MB were the detector's
// states, the rest buffers of the broker and of the fold under way.
//
// What is on disk is shown as well. tables.csv in -dir has every part of every table.
//
// # The rule
//
// Only the second half of the run is judged. A quantity is growing when all three hold:
//
//   - its trend, the median of the slopes between all pairs of samples (Theil 1950, Sen 1968), would add more than
//     the allowance over the second half;
//   - the lower end of the trend's 95 % interval, by Kendall's rank statistic as Sen gives it, is above zero;
//   - the highest sample of the last quarter is above the highest of the third quarter by more than half of the
//     allowance, so that a saw-tooth that fits in a quarter is not taken for growth.
//
// All three hold for a quantity that grows evenly by more than its allowance; for one peak only the last one does, for
// a saw-tooth only the first two. The allowance is a share of the median of the second half, at least a number of units;
// the table shows it.
//
// A file that nothing refers to lives for up to 47 minutes under the service's own upkeep, so an hour cannot show that
// the lake's files are flat. Therefore the soak also calls `lake expire` every two minutes, which deletes in the same
// way; then such a file lives for less than half an hour, and runs of an hour and more are judged. With -expire 0 they
// are from 100 minutes on. In shorter runs the table says that they are not judged.
//
// Left aside: least squares (one garbage collection bends it); comparing first and last sample (a saw-tooth); judging all
// files on disk (a run in which the fleet began to store codes half way, so that a fourth as many versions were published, was called
// growing, and no file of it lived longer than another); reading manifests here (the service tells, and only package lake
// knows how).
package main
