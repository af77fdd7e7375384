import { type TSchema, TypeGuard } from "@sinclair/typebox";
import { type TypeCheck, TypeCompiler } from "@sinclair/typebox/compiler";
import { type ValueError, ValueErrorType } from "@sinclair/typebox/errors";

const compiled = new WeakMap<TSchema, TypeCheck<TSchema>>();

/** Compiled on first use, so that the service starts faster. */
function checkerOf(schema: TSchema): TypeCheck<TSchema> {
  let checker = compiled.get(schema);
  if (checker === undefined) {
    checker = TypeCompiler.Compile(schema);
    compiled.set(schema, checker);
  }
  return checker;
}

/** Null when `value` is valid; else one line that names the field, its value, and what it should be. */
export function misfit(schema: TSchema, value: unknown): string | null {
  const checker = checkerOf(schema);
  if (checker.Check(value)) return null;
  const first = checker.Errors(value).First();
  return first === undefined ? "it does not fit" : describe(deepest(first));
}

/** Of a union of objects, the error of the intended one, whose literal fields (`model`, `about`) match. */
function deepest(error: ValueError): ValueError {
  if (error.type !== ValueErrorType.Union) return error;
  const given = error.value as Readonly<Record<string, unknown>> | null;
  const variants = (error.schema["anyOf"] ?? []) as readonly TSchema[];
  const isMeant = (variant: TSchema): boolean => {
    if (!TypeGuard.IsObject(variant)) return TypeGuard.IsTuple(variant) && Array.isArray(given);
    if (typeof given !== "object" || given === null || Array.isArray(given)) return false;
    return Object.entries(variant.properties).every(
      ([name, field]) =>
        !TypeGuard.IsLiteral(field) || typeof field.const !== "string" || field.const === given[name],
    );
  };
  const meant = variants.findIndex(isMeant);
  const inner = meant < 0 ? undefined : error.errors[meant]?.First();
  return inner === undefined ? error : deepest(inner);
}

function describe({ path, type, schema, value, message }: ValueError): string {
  const name = path === "" ? "it" : path.slice(1).replaceAll("/", ".");
  switch (type) {
    case ValueErrorType.ObjectAdditionalProperties:
      return `${name} is not a known field`;
    case ValueErrorType.ObjectRequiredProperty:
      return `${name} is missing (${wanted(schema)})`;
    case ValueErrorType.Never:
      return `${name}: ${message}`;
    default:
      return `${name} must be ${wanted(schema)}, got ${shown(value)}`;
  }
}

function wanted(schema: TSchema): string {
  const bounds = (unit: string, low: unknown, high: unknown): string =>
    `${unit}${low === undefined ? "" : ` from ${low}`}${high === undefined ? "" : ` up to ${high}`}`;
  if (TypeGuard.IsLiteral(schema)) return JSON.stringify(schema.const);
  if (TypeGuard.IsUnion(schema)) return [...new Set(schema.anyOf.map(wanted))].join(" or ");
  if (TypeGuard.IsInteger(schema)) return bounds("a whole number", schema.minimum, schema.maximum);
  if (TypeGuard.IsNumber(schema)) return bounds("a finite number", schema.minimum, schema.maximum);
  if (TypeGuard.IsString(schema)) {
    const size = bounds("text of length", schema.minLength, schema.maxLength);
    return schema.pattern === undefined ? size : `${size} like ${schema.pattern}`;
  }
  if (TypeGuard.IsTuple(schema)) return `${schema.items?.length} numbers`;
  if (TypeGuard.IsArray(schema)) return bounds("a list of length", schema.minItems, schema.maxItems);
  if (TypeGuard.IsUint8Array(schema)) return bounds("bytes", undefined, schema.maxByteLength);
  if (TypeGuard.IsNull(schema)) return "null";
  if (TypeGuard.IsBoolean(schema)) return "true or false";
  return "an object";
}

function shown(value: unknown): string {
  if (value instanceof Uint8Array) return `${value.length} bytes`;
  if (typeof value === "number" || typeof value === "bigint") return String(value);
  const text = JSON.stringify(value) ?? typeof value;
  return text.length > 60 ? `${text.slice(0, 57)}...` : text;
}
