/* Rules for the script of the local page and of the report. */
import js from "@eslint/js";
import globals from "globals";

export default [
  { ignores: ["**/node_modules/**", "**/*.min.js", "**/*.d.ts"] },
  js.configs.recommended,
  {
    files: ["pipeline/review/assets/**/*.js"],
    languageOptions: {
      ecmaVersion: 2022,
      sourceType: "module",
      globals: { ...globals.browser, uPlot: "readonly" },
    },
    rules: {
      "eqeqeq": "error",
      "max-lines": ["error", 400],
      "no-eval": "error",
      "no-implicit-coercion": ["error", { allow: ["!!"] }],
      "no-implied-eval": "error",
      "no-new-func": "error",
      "no-param-reassign": "error",
      "no-restricted-properties": ["error",
        { property: "innerHTML", message: "Words of a case are text, never markup." },
        { property: "outerHTML", message: "Words of a case are text, never markup." },
        { property: "insertAdjacentHTML", message: "Words of a case are text, never markup." }],
      "no-shadow": "error",
      "no-use-before-define": ["error", { functions: false, classes: false, variables: true }],
      "no-var": "error",
      "prefer-const": "error",
    },
  },
];
