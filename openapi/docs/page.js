'use strict'

const byID = id => document.getElementById(id)
const said = text => { byID('said').textContent = text }
const base = location.href.replace(/[#?].*$/, '').replace(/\/docs$/, '')
const command = byID('command')

byID('origin').textContent = base

// The clipboard is there only over TLS and on this machine; elsewhere the
// command is selected for copying by hand.
byID('copy').hidden = false
byID('copy').addEventListener('click', async () => {
  try {
    await navigator.clipboard.writeText(command.textContent)
    said('Copied.')
  } catch {
    getSelection().selectAllChildren(command)
    said('Selected; copy it with the keyboard.')
  }
})

byID('ask').hidden = false
byID('ask').addEventListener('click', async () => {
  said('Asking.')
  try {
    const rig = command.textContent.match(/-d '(.*)'/)[1]
    const reply = await fetch(base + '/v1/assessments?record=false', {
      method: 'POST', headers: { 'Content-Type': 'application/json' }, body: rig
    })
    const body = await reply.json()
    said(reply.ok ? 'Verdict: ' + body.answer.verdict.replace('_', ' ') + '.' : reply.status + ': ' + body.title + '.')
    byID('answer').textContent = JSON.stringify(body.answer ?? body, null, 2)
    byID('answer').hidden = false
  } catch {
    said('The service does not answer.')
  }
})

// An example in a field is sent with the request. Where a parameter may be left
// out and nothing stands for it by itself, the field starts empty.
const emptied = contract => {
  const schemas = contract.components.schemas
  for (const p of Object.values(contract.components.parameters)) {
    const schema = p.schema.$ref ? schemas[p.schema.$ref.split('/').pop()] : p.schema
    if (!p.required && schema.default === undefined) {
      p.schema = { ...schema }
      delete p.schema.example
    }
  }
  return contract
}

fetch(base + '/openapi.json').then(reply => reply.json()).then(contract => SwaggerUIBundle({
  spec: emptied(contract),
  dom_id: '#contract',
  deepLinking: true,
  presets: [SwaggerUIBundle.presets.apis],
  layout: 'BaseLayout',
  docExpansion: 'list',
  defaultModelsExpandDepth: 0,
  tryItOutEnabled: true,
  validatorUrl: null
})).catch(() => { byID('contract').textContent = 'The contract could not be read.' })
