// Package backup is the shape of a backup on disk: a folder of files, each with its sum, that is either whole
// or not there. What goes into it, and in which order, is the business of main (backup.go); here is what makes
// it trustworthy.
//
//	DIR/2026-03-02T06-14-09Z/manifest.json   format, what it was made from, every file with size and SHA-256
//	DIR/2026-03-02T06-14-09Z/...             the files
//	DIR/.2026-03-02T06-14-09Z.part/          one that is being written, or was cut short
//
// Every file is synced, then the folders, then the manifest, and at last the folder gets its name. So a process
// that is killed, and a power cut, leave a .part folder that nobody takes for a backup; the next backup into DIR
// removes it. A write that fails (a full disk) takes the .part folder away at once.
//
// A second backup into the same DIR is cheap: a file that never changes once it has its name (Fixed) and that the
// newest backup has in the same size is linked, not copied; any other file that turns out to hold the same bytes is
// replaced by a link. Each backup is complete in itself: older ones can be removed in any order. What they share
// is one copy on the disk, so DIR belongs on another disk than the data, and `backup verify` reads all of it.
//
// Rejected: one archive file a backup (nothing could be shared, and one bad byte hides the rest); a store by
// sums (restoring needs the program that wrote it; here a person can copy files out by hand).
//
// A point is written by one goroutine. Two processes cannot write into one DIR at a time: a lock of the kernel.
package backup
