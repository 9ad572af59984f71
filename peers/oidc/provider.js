// An identity provider (npm oidc-provider) with one person, who consents to
// everything. It prints its issuer when it listens, and ends with its input.
//
// node provider.js CLIENT_ID CLIENT_SECRET REDIRECT_URI
import Provider from 'oidc-provider';
import http from 'node:http';

const [client_id, client_secret, redirect_uri] = process.argv.slice(2);
const person = { sub: 'u-204', preferred_username: 'o.quist', groups: ['tide-reviewers', 'choir'], meter_number: '204' };

const server = http.createServer();
server.listen(0, '127.0.0.1', () => {
  const issuer = `http://127.0.0.1:${server.address().port}`;
  const provider = new Provider(issuer, {
    clients: [{ client_id, client_secret, redirect_uris: [redirect_uri], response_types: ['code'], grant_types: ['authorization_code'] }],
    pkce: { required: () => true },
    conformIdTokenClaims: false, // what the scopes tell stands in the id_token
    claims: { openid: ['sub'], profile: ['preferred_username', 'groups', 'meter_number'] },
    findAccount: (_, id) => ({ accountId: id, claims: () => person }),
    features: { devInteractions: { enabled: false } },
    interactions: { url: (_, interaction) => `/interaction/${interaction.uid}` },
    cookies: { keys: ['invented'] },
    renderError: (ctx, out) => { ctx.type = 'json'; ctx.body = out; },
  });
  const handle = provider.callback();
  server.on('request', async (req, res) => {
    if (!req.url.startsWith('/interaction/')) return handle(req, res);
    // The person signs in and consents at once.
    const { prompt, params, grantId } = await provider.interactionDetails(req, res);
    if (prompt.name === 'login') return provider.interactionFinished(req, res, { login: { accountId: person.sub } });
    const grant = grantId ? await provider.Grant.find(grantId) : new provider.Grant({ accountId: person.sub, clientId: params.client_id });
    grant.addOIDCScope(params.scope);
    return provider.interactionFinished(req, res, { consent: { grantId: await grant.save() } });
  });
  console.log(issuer);
});
process.stdin.resume();
process.stdin.on('end', () => process.exit(0));
