/**
 * Listens for MLLP connections, with TLS where there are certificates, and closes in order.
 */
import type { X509Certificate } from 'node:crypto';
import { once } from 'node:events';
import { createServer, type AddressInfo, type Server, type Socket } from 'node:net';
import { createServer as createTlsServer, type Server as TlsServer, type TLSSocket } from 'node:tls';
import type { TlsFiles } from '../tls-files.ts';
import { answerMessage, answerUnread, type MessageParts, type Sender } from './message-answer.ts';
import { MllpConnection, type ConnectionFault, type ConnectionLimits } from './mllp-connection.ts';

export interface MllpLimits extends ConnectionLimits {
  readonly mostConnections: number;
}

/** Where no source is named: common practice, no source. */
export const MLLP_LIMITS: MllpLimits = Object.freeze({
  // a message with a weight and a height has less than 2 kB
  mostBytes: 512 * 1024,
  mostStray: 64 * 1024,
  // as long as a request over HTTP may come
  longestMessageMs: 30_000,
  longestReturnMs: 500,
  longestIdleMs: 3_600_000,
  longestGoodbyeMs: 3_000,
  // gateways keep one connection open; with a message in each there would be 100 MB
  mostConnections: 200,
});

export interface MllpParts extends MessageParts {
  readonly host: string;
  /** 0 lets the system pick a free one. */
  readonly port: number;
  /** Certificates of ours and, to ask senders for theirs, of who vouches for them. */
  readonly tls?: TlsFiles;
  /** Who sends; asked for each message, so that a changed list is in force at once. */
  readonly senderOf: (certificate: X509Certificate | undefined) => Sender | undefined;
  readonly noteFault: (reason: ConnectionFault) => void;
  readonly limits?: MllpLimits;
}

/** @throws the system's error when it cannot listen */
export async function listenMllp(parts: MllpParts): Promise<MllpServer> {
  const server = new MllpServer(parts);
  await server.listen();
  return server;
}

export class MllpServer {
  readonly #parts: MllpParts;
  readonly #limits: MllpLimits;
  readonly #server: Server;
  /** In the order in which they came, or were last answered. */
  readonly #connections = new Set<MllpConnection>();
  /** All, also those whose TLS has not begun. */
  readonly #sockets = new Set<Socket>();
  #stopped: Promise<void> | undefined;

  constructor(parts: MllpParts) {
    this.#parts = parts;
    this.#limits = parts.limits ?? MLLP_LIMITS;
    this.#server = parts.tls ? this.#secured(parts.tls) : createServer({ allowHalfOpen: true }, (socket) => this.#serve(socket));
    this.#server.prependListener('connection', (socket: Socket) => this.#count(socket));
  }

  async listen(): Promise<void> {
    this.#server.listen(this.#parts.port, this.#parts.host);
    await once(this.#server, 'listening');
  }

  get port(): number {
    return (this.#server.address() as AddressInfo).port;
  }

  get connections(): number {
    return this.#sockets.size;
  }

  /** Takes no more, answers what is being worked on, and closes; after `boundMs` what is left is cut off. */
  stop(boundMs: number): Promise<void> {
    return (this.#stopped ??= this.#stop(boundMs));
  }

  async #stop(boundMs: number): Promise<void> {
    const closed = once(this.#server, 'close');
    this.#server.close();
    for (const connection of this.#connections) connection.finish();
    const cutOff = setTimeout(() => this.#sockets.forEach((socket) => socket.destroy()), boundMs);
    await closed;
    clearTimeout(cutOff);
  }

  #secured(files: TlsFiles): TlsServer {
    let material = files.current();
    const optionsOf = ({ ca, cert, key }: typeof material) => ({
      ...(ca && { ca }),
      ...(cert && { cert }),
      ...(key && { key }),
      minVersion: 'TLSv1.2' as const,
    });
    const server = createTlsServer(
      {
        ...optionsOf(material),
        // with authorities of senders at hand, nobody comes in whom they do not vouch for
        requestCert: material.ca !== undefined,
        rejectUnauthorized: material.ca !== undefined,
        handshakeTimeout: 10_000,
        allowHalfOpen: true,
      },
      (socket) => this.#serve(socket, socket),
    );
    server.prependListener('connection', () => {
      const now = files.current();
      if (now === material) return;
      material = now;
      server.setSecureContext(optionsOf(now));
    });
    server.on('tlsClientError', (_error, socket) => {
      this.#parts.noteFault('tls');
      socket.destroy();
    });
    return server;
  }

  /** When all places are taken, the connection that has been idle longest makes room, so that idle ones shut nobody out. */
  #count(socket: Socket): void {
    if (this.#sockets.size >= this.#limits.mostConnections) {
      this.#parts.noteFault('too-many');
      const idle = [...this.#connections].find((connection) => connection.isIdle);
      if (idle === undefined) {
        socket.destroy();
        return;
      }
      this.#connections.delete(idle);
      idle.destroy();
    }
    this.#sockets.add(socket);
    socket.once('close', () => this.#sockets.delete(socket));
  }

  #serve(socket: Socket, secured?: TLSSocket): void {
    if (socket.destroyed) return;
    const certificate = secured?.getPeerX509Certificate();
    const senderNow = (): Sender | undefined => this.#parts.senderOf(certificate);
    const connection: MllpConnection = new MllpConnection(socket, {
      limits: this.#limits,
      answer: async (bytes) => {
        const answer = await answerMessage(bytes, senderNow(), this.#parts);
        if (this.#connections.delete(connection)) this.#connections.add(connection);
        return answer;
      },
      answerUnread: (head, problem) => answerUnread(head, problem, senderNow(), this.#parts),
      noteFault: this.#parts.noteFault,
    });
    this.#connections.add(connection);
    socket.once('close', () => this.#connections.delete(connection));
  }
}
