// Printing; everything else on the page is links and a form.
document.getElementById("print").addEventListener("click", () => window.print());
