// Reads every table of a lake folder as an Apache Iceberg v2 table, by the path that the specification gives:
// version-hint.text -> vN.metadata.json -> manifest list -> manifests -> Parquet files, columns by field id.
//
//   node read.mjs LAKE
//
// Writes one JSON object to standard output: by table the number of rows and files, and of every column the
// number of nulls, a sum, the least and the greatest value. All parts are foreign: avsc reads Avro, hyparquet
// reads Parquet. It knows only what the lake needs: unpartitioned tables without delete files; anything else is
// an error, never left out.
import { readdirSync, readFileSync } from 'node:fs'
import { join } from 'node:path'
import { fileURLToPath } from 'node:url'
import avro from 'avsc'
import { asyncBufferFromFile, parquetMetadataAsync, parquetRead } from 'hyparquet'
import { compressors } from 'hyparquet-compressors'

// Snapshot ids use all 64 bits.
const long = avro.types.LongType.__with({
  fromBuffer: b => b.readBigInt64LE(),
  toBuffer: n => { const b = Buffer.alloc(8); b.writeBigInt64LE(n); return b },
  fromJSON: BigInt,
  toJSON: Number,
  isValid: n => typeof n === 'bigint',
  compare: (a, b) => (a < b ? -1 : a > b ? 1 : 0),
})

function avroRecords(path) {
  return new Promise((resolve, reject) => {
    const records = []
    avro.createFileDecoder(path, { parseHook: schema => avro.Type.forSchema(schema, { registry: { long } }) })
      .on('data', r => records.push(r)).on('end', () => resolve(records)).on('error', reject)
  })
}

const localPath = p => (p.startsWith('file:') ? fileURLToPath(p) : p)

const current = (meta, id) => meta.schemas.find(s => s['schema-id'] === meta[id])

async function dataFiles(meta) {
  const snapshot = meta.snapshots.find(s => s['snapshot-id'] === meta['current-snapshot-id'])
  const files = []
  for (const m of await avroRecords(localPath(snapshot['manifest-list']))) {
    if (m.content !== 0) throw new Error(`${m.manifest_path} holds delete files`)
    for (const e of await avroRecords(localPath(m.manifest_path))) {
      if (e.status === 2) continue // deleted
      if (e.data_file.content !== 0 || e.data_file.file_format.toUpperCase() !== 'PARQUET') throw new Error(`${e.data_file.file_path} is no Parquet data file`)
      files.push(e.data_file)
    }
  }
  return files
}

// A profile of one column. Longs and timestamps (as microseconds) are summed by their remainder, so that the sum
// is exact in every engine; strings by their length in bytes.
class Profile {
  constructor(type) { Object.assign(this, { type, nulls: 0, sum: 0, min: null, max: null }) }

  add(v) {
    if (v === null || v === undefined) { this.nulls++; return }
    if (typeof v === 'bigint') this.sum += Number(v % 1000003n)
    else if (typeof v === 'string') this.sum += Buffer.byteLength(v)
    else this.sum += Number(v)
    if (this.type === 'boolean') v = Number(v)
    if (this.min === null || v < this.min) this.min = v
    if (this.max === null || v > this.max) this.max = v
  }

  toJSON() {
    const plain = v => (typeof v === 'bigint' ? v.toString() : v)
    return { type: this.type, nulls: this.nulls, sum: this.sum, min: plain(this.min), max: plain(this.max) }
  }
}

const parsers = { timestampFromMicroseconds: us => BigInt(us) }

async function readTable(dir) {
  const version = parseInt(readFileSync(join(dir, 'metadata', 'version-hint.text'), 'utf8'))
  // JSON numbers lose the last digits of a snapshot id: keep them as text.
  const text = readFileSync(join(dir, 'metadata', `v${version}.metadata.json`), 'utf8')
  const meta = JSON.parse(text.replace(/("(?:current-)?snapshot-id"\s*:\s*)(-?\d+)/g, '$1"$2"'))
  if (meta['format-version'] !== 2) throw new Error(`${dir}: format version ${meta['format-version']}`)
  const schema = current(meta, 'current-schema-id')
  const spec = meta['partition-specs'].find(s => s['spec-id'] === meta['default-spec-id'])
  if (spec.fields.length) throw new Error(`${dir}: partitioned; this reader knows no partitions`)
  const profiles = Object.fromEntries(schema.fields.map(f => [f.name, new Profile(f.type)]))
  let rows = 0
  const files = await dataFiles(meta)
  for (const f of files) {
    const file = await asyncBufferFromFile(localPath(f.file_path))
    if (BigInt(file.byteLength) !== f.file_size_in_bytes) throw new Error(`${f.file_path}: ${file.byteLength} bytes, the manifest says ${f.file_size_in_bytes}`)
    const metadata = await parquetMetadataAsync(file)
    if (metadata.num_rows !== f.record_count) throw new Error(`${f.file_path}: ${metadata.num_rows} rows, the manifest says ${f.record_count}`)
    const names = new Map(metadata.schema.filter(e => e.field_id !== undefined).map(e => [e.field_id, e.name]))
    await parquetRead({
      file, metadata, compressors, parsers, rowFormat: 'object',
      onComplete: list => {
        rows += list.length
        for (const field of schema.fields) {
          const name = names.get(field.id) // a file of an earlier release lacks later columns
          if (name === undefined && field.required) throw new Error(`${f.file_path}: no column with field id ${field.id} (${field.name})`)
          const p = profiles[field.name]
          for (const row of list) p.add(name === undefined ? null : row[name])
        }
      },
    })
  }
  return { rows, files: files.length, columns: profiles }
}

const lake = process.argv[2]
if (!lake) {
  console.error('usage: node read.mjs LAKE')
  process.exit(2)
}
const tables = {}
for (const d of readdirSync(lake, { withFileTypes: true })) {
  if (d.isDirectory() && readdirSync(join(lake, d.name)).includes('metadata')) tables[d.name] = await readTable(join(lake, d.name))
}
console.log(JSON.stringify(tables))
