// The names that a locked page uses; all the rest of these libraries stays out of the bundle.
export { gcm } from "@noble/ciphers/aes.js";
export { pbkdf2Async } from "@noble/hashes/pbkdf2.js";
export { sha256 } from "@noble/hashes/sha2.js";
export { unzlibSync } from "fflate";
