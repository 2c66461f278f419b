// The card "New circuit record": writes a notebook from the starter beside this file and runs it, so that the form is
// on screen in one click. Written by hand as a module federation container, so nothing has to be built.
(() => {
  const starter = new URL("circuit-test.ipynb", document.currentScript.src).href;
  let scope = {};

  // A module that JupyterLab shares with extensions; undefined where there is none (a page without a launcher).
  async function shared(name) {
    const [offer] = Object.values(scope[name] || {});
    return offer && (await offer.get())();
  }

  function nameAt(moment) {
    const two = (number) => String(number).padStart(2, "0");
    const day = `${moment.getFullYear()}${two(moment.getMonth() + 1)}${two(moment.getDate())}`;
    return `circuit-record-${day}-${two(moment.getHours())}${two(moment.getMinutes())}${two(moment.getSeconds())}`;
  }

  async function write(services, folder) {
    const answer = await fetch(starter, { cache: "no-cache" });
    if (!answer.ok) throw new Error(`the starter notebook can't be read (${answer.status})`);
    const content = await answer.json();
    await services.kernelspecs.ready;
    const spec = services.kernelspecs.specs.kernelspecs.diagnb;
    if (spec) content.metadata.kernelspec = { name: "diagnb", display_name: spec.display_name, language: "python" };
    for (const cell of content.cells) if (cell.cell_type === "code") cell.metadata.jupyter = { source_hidden: true };
    const taken = new Set((await services.contents.get(folder)).content.map((item) => item.name));
    const stem = nameAt(new Date());
    let name = `${stem}.ipynb`;
    for (let count = 2; taken.has(name); count += 1) name = `${stem}-${count}.ipynb`;
    const path = folder ? `${folder}/${name}` : name;
    await services.contents.save(path, { type: "notebook", format: "json", content });
    return path;
  }

  async function run(app, widget) {
    await widget.context.ready;
    await widget.context.sessionContext.ready;
    app.shell.activateById(widget.id);
    await app.commands.execute("notebook:run-all-cells");
    await widget.context.save(); // the cell holds the name of its sheet by now
  }

  async function plugin() {
    const launching = await shared("@jupyterlab/launcher");
    const dialogs = await shared("@jupyterlab/apputils");
    if (!launching || !dialogs) return { id: "diagnb:new-record", autoStart: true, activate: () => undefined };
    const failed = (error) => dialogs.showErrorMessage("The record could not be begun", error);
    return {
      id: "diagnb:new-record",
      autoStart: true,
      optional: [launching.ILauncher],
      activate: (app, launcher) => {
        const command = "diagnb:new-record";
        app.commands.addCommand(command, {
          label: "New circuit record",
          caption: "A new notebook in this folder, with the form on screen",
          execute: async ({ cwd = "" }) => {
            try {
              const path = await write(app.serviceManager, cwd);
              const widget = await app.commands.execute("docmanager:open", { path, factory: "Notebook" });
              run(app, widget).catch(failed);
              return widget;
            } catch (error) {
              return failed(error);
            }
          },
        });
        const kernelIconUrl = `${app.serviceManager.serverSettings.baseUrl}kernelspecs/diagnb/logo-svg.svg`;
        if (launcher) launcher.add({ command, category: "Notebook", rank: 0, kernelIconUrl });
      },
    };
  }

  window._JUPYTERLAB = window._JUPYTERLAB || {};
  window._JUPYTERLAB.diagnb = {
    init: (offered) => { scope = offered; },
    get: async () => { const made = await plugin(); return () => ({ __esModule: true, default: made }); },
  };
})();
