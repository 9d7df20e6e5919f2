// Package outside puts the product beside other people's programs: engines that read its lake, whose answers are compared,
// clients that query it, and an authority that gives it a certificate.
//
// It is a module of its own, never linked into the product: iceberg-go's table and catalog packages, which the
// product does not use, cannot even be linked beside the product's Parquet library. The tests run the finished
// binary (the file that MARGINLINE names, ../../marginline by default; `make outside` builds it): an invented fleet
// is imported into a temporary folder in many small commits, read, compacted with `lake compact`, and read again.
//
// Three readers that share no code look at the same folder:
//
//   - DuckDB, through `marginline sql` (the product's own views);
//   - iceberg-go's file-system catalog, table and scan packages, over arrow-go v18 (engine_test.go);
//   - avsc and hyparquet under Node, following the paths of the Iceberg specification (read.mjs).
//
// What must agree: every table of the folder is readable; every row of every column that the views show, as a
// multiset; types; per column nulls, sums, least and greatest values; the bounds, counts and null counts in the
// manifests against the rows of each file; the declared sort order; the partition values (there are none); the
// rows of an older snapshot after compaction; and that a filter plans fewer files and still gives all its rows.
//
// A second test is of Arrow Flight SQL: arrow-go's client and database/sql driver against the served binary
// (flight_test.go), and as other machines use it, under TLS by an API key (flight_tls_test.go).
//
// A third test is of ACME: pebble, in the test's process, gives the served binary its certificate (authority_test.go,
// acme_test.go).
//
// Whatever is missing fails: there is no skip.
package outside
