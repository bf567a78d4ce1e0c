/** A bundled worker as text, made by build.mjs. */
declare module "worker:*" {
  const text: string;
  export default text;
}
