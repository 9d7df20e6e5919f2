// Package review learns from outcomes: what share of the alerts was right, what share was needless, how much
// time they gave, how often a repair did not hold, which codes came without warning, and what it was worth.
//
// Every share comes with its counts and a 95 % interval (Wilson 1927), and cases that are undecided count
// neither way. A repaired unit proves nothing about the code it would have set, so the money is a range with
// its assumptions written beside it, and the misses are counted as openly as the hits.
//
// Make is a pure function of the alert book, the orders and a stretch of time: the same book gives the same
// review of a past month. It starts nothing.
package review
