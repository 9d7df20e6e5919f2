// Package flight serves analysts' SQL to other tools by Arrow Flight SQL, for drivers of JDBC, ADBC and ODBC.
//
// It is a thin front: a query goes through the same fence as everywhere (package sql), whose answer is an
// Arrow IPC stream already; its batches are passed on as they come. A statement's ticket is its text, so a
// server that was restarted still knows it; prepared statements live in memory, with their parameters, until
// they are closed or have lain idle. The views of the dictionary are the tables; they have no catalog and no
// schema, because the judge allows no name in front of a view's.
//
// Nothing is written through it: no updates, no transactions. An answer that would be cut off at the limit of
// rows is an error here, since no tool would show a remark beside it.
//
// Every call needs a token (auth.go): main says which are admitted, the one in the data folder or people's API keys, and lets it
// listen beyond this machine only under TLS.
//
// The library's own interceptors for basic authentication (arrow v15) are not used: a header without a second
// word makes them index out of range, and a panic there ends the service.
package flight
