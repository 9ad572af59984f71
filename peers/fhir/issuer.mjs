// A token endpoint for clients that sign with a private key: npm oidc-provider.
// Argument: a file with {client_id, keys, life, scopes}. Prints a line with its
// address, then a line for each token that it gave.
import { readFileSync } from 'node:fs'
import { createServer } from 'node:http'
import Provider from 'oidc-provider'

const wanted = JSON.parse(readFileSync(process.argv[2], 'utf8'))
const server = createServer()
server.listen(0, '127.0.0.1', () => {
  const issuer = `http://127.0.0.1:${server.address().port}`
  const provider = new Provider(issuer, {
    clients: [{
      client_id: wanted.client_id,
      token_endpoint_auth_method: 'private_key_jwt',
      grant_types: ['client_credentials'],
      redirect_uris: [],
      response_types: [],
      jwks: { keys: wanted.keys },
    }],
    scopes: wanted.scopes,
    ttl: { ClientCredentials: wanted.life },
    features: { clientCredentials: { enabled: true }, devInteractions: { enabled: false } },
    enabledJWA: { clientAuthSigningAlgValues: ['RS384', 'ES384'] },
  })
  provider.on('client_credentials.saved', (token) => console.log(JSON.stringify({ token: token.jti })))
  server.on('request', provider.callback())
  console.log(JSON.stringify({ token_url: `${issuer}/token` }))
})
process.stdin.resume()
process.stdin.on('end', () => process.exit(0))
