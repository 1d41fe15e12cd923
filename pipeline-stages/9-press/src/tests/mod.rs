mod heat;
mod scene;
mod sheet;
