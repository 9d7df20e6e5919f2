package flight

import (
	"context"
	"regexp"
	"slices"
	"strings"

	"github.com/apache/arrow/go/v15/arrow"
	"github.com/apache/arrow/go/v15/arrow/array"
	"github.com/apache/arrow/go/v15/arrow/flight"
	"github.com/apache/arrow/go/v15/arrow/flight/flightsql"
	"github.com/apache/arrow/go/v15/arrow/flight/flightsql/schema_ref"

	"marginline/sql"
)

// tableType is what every table is.
const tableType = "VIEW"

type chunks = <-chan flight.StreamChunk

// rows makes the answer of a catalog call; fill may be nil.
func (s *Server) rows(schema *arrow.Schema, fill func(b *array.RecordBuilder)) (*arrow.Schema, chunks, error) {
	b := array.NewRecordBuilder(s.Alloc, schema)
	defer b.Release()
	if fill != nil {
		fill(b)
	}
	out := make(chan flight.StreamChunk, 1)
	out <- flight.StreamChunk{Data: b.NewRecord()}
	close(out)
	return schema, out, nil
}

func (s *Server) here(schema *arrow.Schema, desc *flight.FlightDescriptor) (*flight.FlightInfo, error) {
	return s.info(schema, desc, desc.Cmd), nil
}

func (s *Server) GetFlightInfoCatalogs(_ context.Context, d *flight.FlightDescriptor) (*flight.FlightInfo, error) {
	return s.here(schema_ref.Catalogs, d)
}

// DoGetCatalogs gives none: a view's name stands alone.
func (s *Server) DoGetCatalogs(context.Context) (*arrow.Schema, chunks, error) {
	return s.rows(schema_ref.Catalogs, nil)
}

func (s *Server) GetFlightInfoSchemas(_ context.Context, _ flightsql.GetDBSchemas, d *flight.FlightDescriptor) (*flight.FlightInfo, error) {
	return s.here(schema_ref.DBSchemas, d)
}

// DoGetDBSchemas gives none.
func (s *Server) DoGetDBSchemas(context.Context, flightsql.GetDBSchemas) (*arrow.Schema, chunks, error) {
	return s.rows(schema_ref.DBSchemas, nil)
}

func (s *Server) GetFlightInfoTableTypes(_ context.Context, d *flight.FlightDescriptor) (*flight.FlightInfo, error) {
	return s.here(schema_ref.TableTypes, d)
}

func (s *Server) DoGetTableTypes(context.Context) (*arrow.Schema, chunks, error) {
	return s.rows(schema_ref.TableTypes, func(b *array.RecordBuilder) { b.Field(0).(*array.StringBuilder).Append(tableType) })
}

func tablesSchema(q flightsql.GetTables) *arrow.Schema {
	if q.GetIncludeSchema() {
		return schema_ref.TablesWithIncludedSchema
	}
	return schema_ref.Tables
}

func (s *Server) GetFlightInfoTables(_ context.Context, q flightsql.GetTables, d *flight.FlightDescriptor) (*flight.FlightInfo, error) {
	return s.here(tablesSchema(q), d)
}

func (s *Server) DoGetTables(_ context.Context, q flightsql.GetTables) (*arrow.Schema, chunks, error) {
	return s.rows(tablesSchema(q), func(b *array.RecordBuilder) {
		if types := q.GetTableTypes(); len(types) > 0 && !slices.Contains(types, tableType) {
			return
		}
		if c := q.GetCatalog(); c != nil && *c != "" {
			return
		}
		if p := q.GetDBSchemaFilterPattern(); p != nil && !like(*p, "") {
			return
		}
		for _, v := range sql.Views() {
			if p := q.GetTableNameFilterPattern(); p != nil && !like(*p, v.Name) {
				continue
			}
			b.Field(0).AppendNull()
			b.Field(1).AppendNull()
			b.Field(2).(*array.StringBuilder).Append(v.Name)
			b.Field(3).(*array.StringBuilder).Append(tableType)
			if q.GetIncludeSchema() {
				b.Field(4).(*array.BinaryBuilder).Append(flight.SerializeSchema(schemaOf(v), s.Alloc))
			}
		}
	})
}

// like matches a pattern of SQL: % any characters, _ one, \ the next as it is.
func like(pattern, name string) bool {
	var b strings.Builder
	b.WriteString("(?is)^")
	for i := 0; i < len(pattern); i++ {
		switch c := pattern[i]; {
		case c == '%':
			b.WriteString(".*")
		case c == '_':
			b.WriteString(".")
		default:
			if c == '\\' && i+1 < len(pattern) {
				i++
			}
			b.WriteString(regexp.QuoteMeta(pattern[i : i+1]))
		}
	}
	ok, err := regexp.MatchString(b.String()+"$", name)
	return ok && err == nil
}

// schemaOf is the dictionary of a view as a schema; the comment of a column is its remark.
func schemaOf(v sql.View) *arrow.Schema {
	fields := make([]arrow.Field, len(v.Columns))
	for i, c := range v.Columns {
		meta := flightsql.NewColumnMetadataBuilder()
		meta.TableName(v.Name).TypeName(c.Type).IsReadOnly(true)
		md := meta.Metadata()
		fields[i] = arrow.Field{Name: c.Name, Type: arrowType(c.Type), Nullable: true,
			Metadata: arrow.NewMetadata(append(md.Keys(), "ARROW:FLIGHT:SQL:REMARKS"), append(md.Values(), c.Comment()))}
	}
	return arrow.NewSchema(fields, nil)
}

// arrowType is the type of a column as an answer has it; text for what is not known.
func arrowType(name string) arrow.DataType {
	switch name {
	case "BOOLEAN":
		return arrow.FixedWidthTypes.Boolean
	case "INTEGER":
		return arrow.PrimitiveTypes.Int32
	case "BIGINT":
		return arrow.PrimitiveTypes.Int64
	case "DOUBLE":
		return arrow.PrimitiveTypes.Float64
	case "DATE":
		return arrow.FixedWidthTypes.Date32
	case "TIMESTAMP":
		return &arrow.TimestampType{Unit: arrow.Microsecond}
	}
	if of, ok := strings.CutSuffix(name, "[]"); ok {
		return arrow.ListOf(arrowType(of))
	}
	return arrow.BinaryTypes.String
}

func (s *Server) GetFlightInfoPrimaryKeys(_ context.Context, _ flightsql.TableRef, d *flight.FlightDescriptor) (*flight.FlightInfo, error) {
	return s.here(schema_ref.PrimaryKeys, d)
}

// DoGetPrimaryKeys gives none: views have no keys. Nor do the others.
func (s *Server) DoGetPrimaryKeys(context.Context, flightsql.TableRef) (*arrow.Schema, chunks, error) {
	return s.rows(schema_ref.PrimaryKeys, nil)
}

func (s *Server) GetFlightInfoExportedKeys(_ context.Context, _ flightsql.TableRef, d *flight.FlightDescriptor) (*flight.FlightInfo, error) {
	return s.here(schema_ref.ExportedKeys, d)
}

func (s *Server) DoGetExportedKeys(context.Context, flightsql.TableRef) (*arrow.Schema, chunks, error) {
	return s.rows(schema_ref.ExportedKeys, nil)
}

func (s *Server) GetFlightInfoImportedKeys(_ context.Context, _ flightsql.TableRef, d *flight.FlightDescriptor) (*flight.FlightInfo, error) {
	return s.here(schema_ref.ImportedKeys, d)
}

func (s *Server) DoGetImportedKeys(context.Context, flightsql.TableRef) (*arrow.Schema, chunks, error) {
	return s.rows(schema_ref.ImportedKeys, nil)
}

func (s *Server) GetFlightInfoCrossReference(_ context.Context, _ flightsql.CrossTableRef, d *flight.FlightDescriptor) (*flight.FlightInfo, error) {
	return s.here(schema_ref.CrossReference, d)
}

func (s *Server) DoGetCrossReference(context.Context, flightsql.CrossTableRef) (*arrow.Schema, chunks, error) {
	return s.rows(schema_ref.CrossReference, nil)
}
