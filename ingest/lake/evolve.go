package lake

import (
	"fmt"
	"slices"
	"strings"
	"time"

	"github.com/apache/iceberg-go"
)

// lacks names the columns of this release that a table does not have yet.
func (t *table) lacks() (names []string) {
	has := t.tip.schema()
	for i := range t.columns {
		if _, ok := has.FindFieldByID(t.columns[i].id); !ok {
			names = append(names, t.columns[i].name)
		}
	}
	return names
}

// evolve adds the columns that a table lacks, under a new schema: "Schema Evolution" of the Apache Iceberg
// table specification. Snapshots and files stay as they are; their rows read as null there, which is why a
// column that comes later must be optional.
func (t *table) evolve(now time.Time) error {
	names := t.lacks()
	if len(names) == 0 {
		return nil
	}
	for _, n := range names {
		if t.columns[t.column(n)].required {
			return fmt.Errorf("table %s lacks the required column %q: it is not a table of this program", t.name, n)
		}
	}
	m := t.follow(now)
	id := 0
	for _, s := range m.Schemas {
		id = max(id, s.ID+1)
	}
	schema := iceberg.NewSchema(id, t.schema().Fields()...)
	m.Schemas = append(slices.Clip(m.Schemas), schema)
	m.CurrentSchemaID = id
	m.LastColumnID = max(m.LastColumnID, schema.HighestFieldID())
	t.log.Info("columns added", "table", t.name, "columns", strings.Join(names, ", "), "schema", id)
	return t.publish(m)
}
