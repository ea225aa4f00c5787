// What each sample is told by its environment: where the service is, and the key of its role.
declare const process: { env: Record<string, string | undefined>; exitCode: number };

export function setting(name: string): string {
  const value = process.env[name];
  if (value === undefined) throw new Error(`${name} is not set`);
  return value;
}

/** The wished-for answer, or the problem document as an error. */
export function wanted<T>(answer: { data?: T; error?: unknown; response: Response }): T {
  if (answer.data !== undefined) return answer.data;
  throw new Error(`${answer.response.status}: ${JSON.stringify(answer.error)}`);
}
