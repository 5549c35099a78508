// Asks a drawgear service about canned rigs, with types made from its contract.
//
//   npm install && DRAWGEAR_URL=http://127.0.0.1:8080 npm start
//
// It ends with 1 if an answer is not what the index of the rigs says.
import { readFileSync } from 'node:fs'
import createClient from 'openapi-fetch'
import type { components, paths } from './drawgear.js'

type Rig = components['schemas']['Rig']

interface Canned { file: string, shows: string, status: number, verdict?: string, problem?: string }

const key = process.env.DRAWGEAR_KEY
const client = createClient<paths>({
  baseUrl: process.env.DRAWGEAR_URL ?? 'http://127.0.0.1:8080',
  headers: key ? { Authorization: `Bearer ${key}` } : {}
})

const canned = new URL('../rigs/', import.meta.url)
const index: { rigs: Canned[] } = JSON.parse(readFileSync(new URL('index.json', canned), 'utf8'))

let wrong = 0
for (const { file, shows, status, verdict, problem } of index.rigs) {
  const text = readFileSync(new URL(file, canned), 'utf8')
  const { data, error, response } = await client.POST('/v1/assessments', {
    params: { query: { record: false } },
    body: text as unknown as Rig, // as the file has it: some are no rigs
    bodySerializer: body => body
  })
  const got = data?.answer.verdict ?? error?.type
  const right = response.status === status && got === (verdict ?? problem)
  if (!right) wrong++
  console.log(right ? 'as told' : 'WRONG', file, response.status, got, '-', shows)
  if (data?.answer.verdict === 'undetermined') {
    console.log('  asked for:', data.answer.missing.slice(0, 3).map(m => m.pointer).join(', '))
  }
}

// A rig written here is checked as it is typed: a mistyped field does not compile.
const mower: Rig = { jurisdiction: 'GB', trailer: { purpose: 'special', rated: { total: '740 kg' }, brakes: { kind: 'none' } } }
const { data } = await client.POST('/v1/loads', { body: mower })
console.log('loads of the mower:', data ? 'answered' : 'refused')
process.exitCode = wrong || !data ? 1 : 0
