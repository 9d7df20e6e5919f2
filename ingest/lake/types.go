package lake

import "github.com/apache/arrow/go/v15/arrow"

// stored is the Arrow type of timestamps. The zone "Etc/UTC" is on purpose: arrow v15 marks the zones ""
// and "UTC" as "adjusted to UTC" in Parquet, which engines show as a timestamp with time zone. With this
// name the column is what Iceberg calls "timestamp".
var stored = &arrow.TimestampType{Unit: arrow.Microsecond, TimeZone: "Etc/UTC"}

func (c *column) arrow() arrow.DataType {
	switch {
	case c.text != nil:
		return arrow.BinaryTypes.String
	case c.num != nil:
		return arrow.PrimitiveTypes.Int32
	case c.long != nil:
		return arrow.PrimitiveTypes.Int64
	case c.real != nil:
		return arrow.PrimitiveTypes.Float64
	case c.flag != nil:
		return arrow.FixedWidthTypes.Boolean
	default:
		return stored
	}
}

// arrowSchema carries the Iceberg field ids into the Parquet file.
func (s *spec) arrowSchema() *arrow.Schema {
	fields := make([]arrow.Field, len(s.columns))
	for i := range s.columns {
		c := &s.columns[i]
		fields[i] = arrow.Field{Name: c.name, Type: c.arrow(), Nullable: !c.required,
			Metadata: arrow.NewMetadata([]string{"PARQUET:field_id"}, []string{show(&c.id)})}
	}
	return arrow.NewSchema(fields, nil)
}
