/** Run by vitest for each test file, so that its hooks are that file's. */
import { afterAll, afterEach } from 'vitest';
import { closeAll } from './closing.ts';

afterEach(() => closeAll('test'));
afterAll(() => closeAll('file'));
