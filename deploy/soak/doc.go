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
// whole fleet is folded again, which makes the peaks of memory. What must grow is not judged: bytes of stored rows, and the stream, which keeps reports by age. Processor
// time is shown and not judged: a late report folds its unit's whole history again, and the machine may be shared.
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
// Left aside: least squares (one garbage collection bends it); comparing first and last sample (a saw-tooth).
package main
