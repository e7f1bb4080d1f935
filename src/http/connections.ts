/**
 * Room for new connections: when nearly all are taken, the one that has been without a request for
 * the longest time is closed. So a flood of idle connections shuts nobody out; whoever had a
 * request in progress keeps its connection.
 */
import type { Server } from 'node:http';
import type { Socket } from 'node:net';

/** Common practice, no source: each takes some kilobytes, and a hospital has some hundred gateways. */
export const MOST_CONNECTIONS = 2_000;
/** Connections that stay free, for those that come while others are being closed. */
const SPARE = 100;

/** @param most from how many connections on the idle ones make room */
export function makeRoomForConnections(server: Server, most: number = MOST_CONNECTIONS - SPARE): void {
  // requests in progress of each connection; those without any in the order in which they became idle
  const busy = new Map<Socket, number>();
  const idle = new Set<Socket>();
  server.on('connection', (socket) => {
    const [longest] = idle;
    if (busy.size + idle.size >= most) longest?.destroy();
    idle.add(socket);
    socket.once('close', () => {
      busy.delete(socket);
      idle.delete(socket);
    });
  });
  server.on('request', ({ socket }, res) => {
    idle.delete(socket);
    // several may be sent at once, one behind the other
    busy.set(socket, (busy.get(socket) ?? 0) + 1);
    res.once('close', () => {
      const others = (busy.get(socket) ?? 1) - 1;
      if (others > 0) busy.set(socket, others);
      else {
        busy.delete(socket);
        if (!socket.destroyed) idle.add(socket);
      }
    });
  });
}
