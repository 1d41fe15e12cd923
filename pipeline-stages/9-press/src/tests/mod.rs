mod garment;
mod heat;
mod scene;
mod sheet;
