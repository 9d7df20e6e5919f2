// Package report is the message a dongle publishes: what one poll of one vehicle brought, as the
// diagnostic messages themselves and nothing interpreted.
//
// It stands between the wire and the decoder. Parse reads one report in either form, Encode and EncodeProto
// write one, Reader takes reports in JSON line by line out of a recorded file, plain or compressed. A report
// is either readable as a whole or it is not: Parse says which field is wrong. A single message inside it
// that is not hex, or not an object, does not spoil its neighbours: it keeps its place and what was sent,
// with Fault set, and the consumer puts that message alone into the quarantine.
//
// The first byte decides between the forms: "{" is JSON, anything else is protobuf. The schemas are
// report.schema.json and report.proto. The protobuf form is read and written field by field on the wire
// format package of the library. The rejected way was generated code: it allocates for every message and
// every field, and needs a generator in the build for a dozen fields. Tests hold ours against the library,
// which reads the published schema.
//
// JSON field names are matched exactly and a name that comes twice is an error: two readers of one report must
// never see two different vehicles. The rejected way was to let encoding/json fill a struct, which takes
// any letter case and the last of two equal names, and is five times slower than walking the text.
// In protobuf, where every reader takes the last of two equal fields, so do we. Unknown fields are ignored
// in both, so that newer dongles may say more.
//
// Digest (XXH64) tells two reports with the same id apart; EarlierDigest is what earlier releases stored. It covers what Parse understood and not the bytes, so
// the form, white space, field order and letter case of the hex do not make a repeated report look like a
// conflict, and it leaves out `received`, which a relay may set anew.
//
// The package starts no goroutine that outlives a call, except that a Reader of zstd input owns the
// decoder's; Close ends them.
package report
