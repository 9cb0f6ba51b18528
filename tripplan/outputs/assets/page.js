// Marks the page as scripted; everything it hides or shows hangs on this class.
document.documentElement.classList.add("has-script");
