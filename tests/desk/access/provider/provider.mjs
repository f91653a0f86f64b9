// A provider on loopback for tests: one client with a secret, PKCE demanded, people whose claims are read from the command line.
//
//   node provider.mjs REDIRECT_URI PEOPLE_AS_JSON
//
// It prints its issuer when it listens, and ends when its standard input does.
import { createServer } from "node:http";
import { Provider } from "oidc-provider";

const [redirectUri, people] = [process.argv[2], JSON.parse(process.argv[3])];
const server = createServer();

server.listen(0, "127.0.0.1", () => {
  const issuer = `http://127.0.0.1:${server.address().port}`;
  const provider = new Provider(issuer, {
    clients: [{ client_id: "desk", client_secret: "only for tests", redirect_uris: [redirectUri] }],
    claims: { openid: ["sub"], email: ["email", "email_verified"], profile: ["groups"] },
    pkce: { required: () => true },
    features: { devInteractions: { enabled: true } },
    cookies: { keys: ["only for tests"] },
    ttl: { AccessToken: 60, AuthorizationCode: 60, Grant: 60, IdToken: 60, Interaction: 60, Session: 60 },
    findAccount: (_, sub) => ({ accountId: sub, claims: () => ({ sub, ...people[sub] }) }),
  });
  server.on("request", provider.callback());
  console.log(issuer);
});

process.stdin.resume();
process.stdin.on("end", () => process.exit(0));
