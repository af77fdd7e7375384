import { type MessagePort, parentPort, workerData } from "node:worker_threads";
import { headTime } from "../time.ts";
import { WayDesk } from "./way-desk.ts";
import type { ToWays } from "./way-messages.ts";

// The thread that finds ways. Floor and questions come from the sensing thread, answers go to the service.

const desk = new WayDesk((message) => parentPort!.postMessage(message), headTime);
(workerData as MessagePort).on("message", (message: ToWays) => desk.take(message));
